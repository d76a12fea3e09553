"""A bench's ledger made again from the shared record, every hash proved."""

from pathlib import Path

from sqlalchemy import text

from station.errors import BadInput
from station.ledger.chain import HASHED_COLUMNS
from station.ledger.database import ROWS_AT_A_TIME
from station.ledger.reimport import made_again
from station.ledger.verify import Progress, VerifyReport
from station.settings import ShareSettings
from station.share.database import head_there, plain_refusals, shared_record

_COUNT = text("SELECT count(*) FROM shared.trace WHERE bench = :bench")
_TRACES = text("SELECT sha256, data FROM shared.trace WHERE bench = :bench")
_ENTRIES = text(
    f"SELECT {', '.join(HASHED_COLUMNS)}, hash FROM shared.entry "  # noqa: S608
    "WHERE bench = :bench ORDER BY seq"
)


def restore_bench(
    where: ShareSettings, bench: str, path: Path, progress: Progress | None = None
) -> VerifyReport:
    """Make a new ledger of a bench, of one state of the shared record, and verify it.

    Raises
    ------
    BadInput
        The ledger exists, the shared record has nothing of the bench, or it is not sound.
    SharedAway, SharedRefused
        The shared record cannot be reached, or this role may not read it.
    """
    engine = shared_record(where).execution_options(
        isolation_level="REPEATABLE READ", yield_per=ROWS_AT_A_TIME
    )
    with plain_refusals(), engine.connect() as there:
        head = head_there(there, bench)
        if head.seq == 0:
            raise BadInput(
                f"The shared record has nothing of {bench!r} that this role may read: check the "
                "bench's name in the settings, and the role in the address."
            )
        total = head.seq + there.execute(_COUNT, {"bench": bench}).scalar_one()
        source, whose = f"What the shared record has of {bench}", {"bench": bench}
        with there.execute(_TRACES, whose) as found, there.execute(_ENTRIES, whose) as rows:
            traces = ((row.sha256, bytes(row.data)) for row in found)
            entries = (row._asdict() | {"monotonic_s": float(row.monotonic_s)} for row in rows)
            return made_again(path, bench, head.hash, traces, entries, source, total, progress)
