"""Photos of samples: which there are, and how much room they take."""

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Select, func, select

from station.ledger import tables
from station.ledger.reader import LedgerReader
from station.ledger.rows import PhotoRow
from station.ledger.traces import unpacked

_photo = tables.photo.c
_dropped = _photo.sha256.in_(select(tables.photo_dropped.c.sha256))
_all: Select[Any] = select(tables.photo, _dropped.label("dropped")).order_by(_photo.seq)


def photos_of(reader: LedgerReader, sample_ids: Iterable[str]) -> list[PhotoRow]:
    """Return the photos of samples, dropped ones too, in the order in which they were taken."""
    return reader.read(PhotoRow, _all.where(_photo.sample_id.in_(list(sample_ids))))


def photo_with(reader: LedgerReader, sha256: str) -> PhotoRow | None:
    """Return the photo with this hash, if there ever was one."""
    return next(iter(reader.read(PhotoRow, _all.where(_photo.sha256 == sha256))), None)


def photos_of_passed(reader: LedgerReader) -> list[PhotoRow]:
    """Return the photos that may be dropped, the oldest first: kept, of samples that passed."""
    passed = select(tables.sample.c.sample_id).where(tables.sample.c.verdict == "pass")
    return reader.read(PhotoRow, _all.where(~_dropped, _photo.sample_id.in_(passed)))


def kept_bytes(reader: LedgerReader) -> int:
    """Return how many bytes the photos take that are kept."""
    return int(reader.rows(select(func.sum(_photo.size_bytes)).where(~_dropped))[0][0] or 0)


def picture_of(reader: LedgerReader, photo: PhotoRow) -> bytes | None:
    """Return a photo's JPEG file; None where it was dropped."""
    data = None if photo.dropped else reader.trace(photo.sha256, photo.seq)
    return None if data is None else unpacked(data)
