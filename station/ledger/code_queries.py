"""Samples that are filed under a code, read from a ledger."""

from collections.abc import Collection

from sqlalchemy import select

from station.ledger import tables
from station.ledger.queries import LedgerReader, SampleRow, sample_row


def coded_samples(
    reader: LedgerReader, codes: Collection[str], *, since_seq: int
) -> list[SampleRow]:
    """Return the samples with these codes that were begun after entry ``since_seq``, in order."""
    sample = tables.sample
    query = select(sample).where(sample.c.begun_seq > since_seq, sample.c.step.in_(list(codes)))
    return [sample_row(row) for row in reader.rows(query.order_by(sample.c.begun_seq))]
