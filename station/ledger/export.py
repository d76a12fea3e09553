"""The whole record as files that other programs read: JSON Lines, CSV and JSON Schema."""

import csv
import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Row, func, select

from station.crimp.facts import shipped_book
from station.errors import BadInput, LedgerDamaged, LedgerError, LedgerFull
from station.ledger import database, tables
from station.ledger.chain import FIRST_PREV_HASH, canonical_json, utc_text
from station.ledger.compare import derived_again
from station.ledger.derive import FIRST_DEMO_KEY
from station.ledger.entries import KINDS
from station.ledger.export_format import (
    ENTRY_COLUMNS,
    README,
    SAMPLE_COLUMNS,
    Column,
    cell,
    columns_of,
    entry_schema,
)
from station.ledger.trace_rows import TraceRows
from station.ledger.traces import decode_trace, unpacked
from station.ledger.verify import PROGRESS_STEP, Progress, entry_fault, snapshot

TraceForm = Literal["csv", "npz", "none"]

MANIFEST = "export.json"
ENTRIES = "entries"
TRACES = "traces"
PHOTOS = "photos"
SAMPLES = "samples.csv"
INVENTED = "INVENTED demo records are in it: no measurement of anything.\n\n"

_UNSOUND = "It cannot be exported ({fault}): verify the ledger, and export from a sound copy."


@dataclass(frozen=True)
class ExportReport:
    """What `export_ledger` wrote.

    Parameters
    ----------
    bench : str
        The bench whose ledger it is.
    entries : mapping
        How many entries, by kind.
    samples, traces : int
        How many of these.
    last_hash : str
        The hash of the last entry: it proves an import of the export.
    """

    bench: str
    entries: Mapping[str, int]
    samples: int
    traces: int
    last_hash: str


def export_ledger(
    path: Path,
    folder: Path,
    *,
    now: datetime,
    traces: TraceForm = "csv",
    progress: Progress | None = None,
) -> ExportReport:
    """Write the whole record into a new folder; the station may go on writing.

    The export is of one moment, and the folder appears only once it is complete. One entry after
    the other is read and written, so that a record of any size needs little memory.

    Parameters
    ----------
    path, folder : Path
        The ledger, and the folder to make.
    now : datetime
        When it is made, for the manifest.
    traces : str
        ``csv``: one file each; ``npz``: one file for all; ``none``, and no photos either.
    progress : callable, optional
        Told entries, samples and traces done and in all.

    Raises
    ------
    BadInput
        There is no ledger, or the folder exists or cannot be made.
    LedgerDamaged
        An entry or trace cannot be read.
    LedgerFull, LedgerError
        A file could not be written. Nothing is left of the export.
    """
    database.check_path(path, create=False)
    if folder.exists():
        raise BadInput(f"{folder} exists already: name a new folder for the export.")
    with _new_folder(folder) as making, snapshot(path, forgive_text=False) as connection:
        return _Exporter(connection, making, traces, progress).run(now)


@contextmanager
def _new_folder(folder: Path) -> Iterator[Path]:
    """Make a folder beside the wanted one; give it that name at the end, or remove it."""
    try:
        making = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as error:
        raise BadInput(
            f"No folder can be made in {folder.parent} ({error.strerror}): check the path."
        ) from error
    try:
        yield making
        # All files at once: there may be a million.
        os.sync()
        making.chmod(0o755)
        making.rename(folder)
    except OSError as error:
        kind = LedgerFull if error.errno == 28 else LedgerError
        raise kind(
            f"The export could not be written to {folder} ({error.strerror}): check that there is "
            "room and that the folder can be written. Nothing is left of it."
        ) from error
    finally:
        shutil.rmtree(making, ignore_errors=True)


class _Exporter:
    """One run over one snapshot of the record."""

    def __init__(
        self, connection: Connection, folder: Path, traces: TraceForm, progress: Progress | None
    ) -> None:
        self._connection = connection
        self._folder = folder
        self._traces = traces
        self._progress = progress
        self._done = 0
        counted = [tables.entry.c.seq, tables.sample.c.begun_seq]
        self._rows = TraceRows.of(connection)
        counted += [] if traces == "none" else [self._rows.table.c.sha256]
        self._total = sum(connection.scalar(select(func.count(one))) or 0 for one in counted)

    def run(self, now: datetime) -> ExportReport:
        counts, last_hash = self._write_entries()
        # From here on the tables read are what the entries say, whatever stands in the file.
        for fault in derived_again(self._connection):
            raise LedgerDamaged(_UNSOUND.format(fault=fault))
        samples = self._write_samples()
        traces = self._write_traces()
        facts = tables.facts(self._connection)
        report = ExportReport(facts["bench"], counts, samples, traces, last_hash)
        head = f"{sum(counts.values())}:{last_hash}"
        more = {"head": head, "exported_at_utc": utc_text(now), "traces_as": self._traces}
        manifest = asdict(report) | more
        _write_text(self._folder / MANIFEST, json.dumps(manifest, indent=2, ensure_ascii=False))
        questions = [
            {"id": item.id, "question": item.question, "critical": item.critical}
            for item in shipped_book().items.values()
        ]
        looks = json.dumps(questions, indent=2, ensure_ascii=False)
        _write_text(self._folder / "looks.json", looks)
        mark = INVENTED if FIRST_DEMO_KEY in facts else ""
        _write_text(self._folder / "README.txt", mark + README)
        if self._progress:
            self._progress(self._done, self._total)
        return report

    def _write_entries(self) -> tuple[dict[str, int], str]:
        (self._folder / ENTRIES).mkdir()
        counts = dict.fromkeys(KINDS, 0)
        last_hash = FIRST_PREV_HASH
        with ExitStack() as stack:
            folder = self._folder / ENTRIES
            columns = {kind: _write_schema(folder, kind) for kind in KINDS}
            files: dict[str, _KindFiles] = {}
            found = self._stream(select(tables.entry).order_by(tables.entry.c.seq))
            for seq, row in enumerate(found, start=1):
                if fault := entry_fault(row, seq, last_hash):
                    raise LedgerDamaged(_UNSOUND.format(fault=fault))
                try:
                    if row.kind not in files:
                        named = folder / row.kind
                        files[row.kind] = _KindFiles(named, columns[row.kind], stack)
                    files[row.kind].write(row)
                except (KeyError, ValueError, AttributeError) as error:
                    fault = f"entry {row.seq} ({row.id}): {error!r}"
                    raise LedgerDamaged(_UNSOUND.format(fault=fault)) from error
                counts[row.kind] += 1
                last_hash = row.hash
        return counts, last_hash

    def _write_samples(self) -> int:
        names = [column.name for column in SAMPLE_COLUMNS]
        query = select(*(tables.sample.c[name] for name in names))
        written = 0
        with _new_text(self._folder / SAMPLES) as file:
            writer = csv.writer(file)
            writer.writerow(names)
            for row in self._stream(query.order_by(tables.sample.c.begun_seq)):
                record = row._asdict()
                writer.writerow([cell(record, column) for column in SAMPLE_COLUMNS])
                written += 1
        return written

    def _write_traces(self) -> int:
        """Write every photo, and every trace once, also one that stands in two parts."""
        if self._traces == "none":
            return 0
        with ExitStack() as stack:
            keep: Callable[[str, NDArray[np.float64]], bool] = self._keep_csv
            if self._traces == "npz":
                path = self._folder / f"{TRACES}.npz"
                archive = zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED)
                keep = partial(_keep_npy, stack.enter_context(archive))
            photos = set(self._connection.scalars(select(tables.photo.c.sha256)))
            rows = self._stream(self._rows.all())
            return sum(
                self._keep_photo(row.sha256, unpacked(row.data))
                if row.sha256 in photos
                else keep(row.sha256, np.array(decode_trace(row.data)))
                for row in rows
            )

    def _keep_photo(self, key: str, picture: bytes) -> bool:
        path = self._folder / PHOTOS / f"{key}.jpg"
        path.parent.mkdir(exist_ok=True)
        return path.write_bytes(picture) > 0

    def _keep_csv(self, key: str, trace: NDArray[np.float64]) -> bool:
        # Few enough in a folder for every file manager.
        path = self._folder / TRACES / key[:2] / f"{key}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        if is_new := not path.exists():
            lines = (f"{at!r},{force!r}\n" for at, force in trace.T.tolist())
            _write_text(path, "time_s,force_n\n" + "".join(lines))
        return is_new

    def _stream(self, statement: Any) -> Iterator[Row[Any]]:
        for row in database.stream(self._connection, statement):
            yield row
            self._done += 1
            if self._progress and self._done % PROGRESS_STEP == 0:
                self._progress(self._done, self._total)


def _keep_npy(archive: zipfile.ZipFile, key: str, trace: NDArray[np.float64]) -> bool:
    name = f"{key}.npy"
    if is_new := name not in archive.NameToInfo:
        with archive.open(name, "w") as member:
            np.lib.format.write_array(member, trace.astype("<f8"))
    return is_new


def _write_schema(folder: Path, kind: str) -> tuple[Column, ...]:
    """Say what the files of a kind hold; return the columns of its payload."""
    columns = tuple(columns_of(KINDS[kind]))
    schema = entry_schema(KINDS[kind], _headed(columns))
    _write_text(folder / f"{kind}.schema.json", json.dumps(schema, indent=2))
    return columns


def _headed(columns: Iterable[Column]) -> list[Column]:
    return [*ENTRY_COLUMNS, *(Column(("payload", *one.path), one.kind) for one in columns)]


class _KindFiles:
    """The files of one kind of entry, of which there are some."""

    def __init__(self, path: Path, columns: tuple[Column, ...], stack: ExitStack) -> None:
        self._columns = columns
        self._lines = stack.enter_context(_new_text(path.with_suffix(".jsonl")))
        self._rows = csv.writer(stack.enter_context(_new_text(path.with_suffix(".csv"))))
        self._rows.writerow([column.name for column in _headed(columns)])

    def write(self, row: Row[Any]) -> None:
        # SQLAlchemy's names of columns are text of its own kind.
        envelope = {str(name): value for name, value in row._asdict().items()}
        payload = json.loads(envelope.pop("payload"))
        # The payload's own text, so that its hash can be proved from the export.
        head = canonical_json(envelope)[:-1]
        self._lines.write(f'{head},"payload":{row.payload}}}\n')
        cells = [cell(envelope, column) for column in ENTRY_COLUMNS]
        self._rows.writerow(cells + [cell(payload, column) for column in self._columns])


@contextmanager
def _new_text(path: Path) -> Iterator[IO[str]]:
    """Open a new text file that is on the disk once it is closed."""
    with path.open("w", encoding="utf-8", newline="") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="")
