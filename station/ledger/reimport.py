"""A ledger made again of its export, every hash proved."""

import csv
import heapq
import json
import zipfile
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from station.errors import BadInput, LedgerDamaged
from station.ledger.backup import moved_into_place
from station.ledger.chain import HASHED_COLUMNS
from station.ledger.export import ENTRIES, MANIFEST, PHOTOS, TRACES
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, packed
from station.ledger.verify import PROGRESS_STEP, Progress, VerifyReport, verify_ledger


def import_export(folder: Path, path: Path, progress: Progress | None = None) -> VerifyReport:
    """Make a new ledger of the files that `export_ledger` wrote.

    Entries come from the JSON Lines files, byte for byte; traces from CSV or npz, and photos.

    Parameters
    ----------
    folder, path : Path
        The export, and the ledger to make.
    progress : callable, optional
        Told entries and traces done and in all.

    Raises
    ------
    BadInput
        The folder is no export, something in it was changed, or the ledger exists.
    """
    manifest = _read_manifest(folder)
    total = sum(manifest["entries"].values()) + manifest["traces"]
    try:
        source, traces = f"The export {folder}", _traces(folder, manifest["traces_as"])
        parts = manifest["bench"], manifest["last_hash"], traces, _entries(folder)
        return made_again(path, *parts, source, total, progress)
    except (OSError, ValueError, KeyError, TypeError, LedgerDamaged, zipfile.BadZipFile) as error:
        if isinstance(error, BadInput):
            raise
        raise BadInput(
            f"The export {folder} cannot be read ({error}): use another copy of it."
        ) from error


def made_again(
    path: Path,
    bench: str,
    last_hash: str,
    traces: Iterator[tuple[str, bytes]],
    entries: Iterator[Mapping[str, Any]],
    source: str,
    total: int,
    progress: Progress | None = None,
) -> VerifyReport:
    """Make a new ledger of the traces and entries of a bench, as stored, and verify it.

    Raises
    ------
    BadInput
        The ledger exists, or they make no sound one that ends as it should.
    """
    if path.exists():
        raise BadInput(f"{path} exists already: name a ledger that does not.")
    done = 0
    with moved_into_place(path) as making:
        making.unlink()
        with Ledger.open(making, bench=bench) as ledger:
            while batch := list(islice(traces, PROGRESS_STEP)):
                ledger.adopt((), batch)
                done += len(batch)
                if progress:
                    progress(done, total)
            while rows := list(islice(entries, PROGRESS_STEP)):
                done += ledger.adopt(rows)
                if progress:
                    progress(done, total)
        report = verify_ledger(making, progress)
        if report.fault is not None or report.last_hash != last_hash:
            raise BadInput(
                f"{source} does not make a sound ledger "
                f"({report.fault or 'its last entries are missing'}): use another copy of it."
            )
    return report


def _read_manifest(folder: Path) -> dict[str, Any]:
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        sum(manifest["entries"].values()) + manifest["traces"]
        return {name: manifest[name] for name in _NEEDED}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BadInput(f"{folder} is not an export of a ledger: it has no sound {MANIFEST}.") from (
            error
        )


_PAYLOAD = ',"payload":'
_NEEDED = ("bench", "entries", "traces", "last_hash", "traces_as")


def _entries(folder: Path) -> Iterator[Mapping[str, Any]]:
    """Yield the columns of every entry in order, merged from the files of the kinds."""
    files = sorted((folder / ENTRIES).glob("*.jsonl"))
    yield from heapq.merge(*map(_of_kind, files), key=lambda columns: columns["seq"])


def _of_kind(path: Path) -> Iterator[Mapping[str, Any]]:
    with path.open(encoding="utf-8", newline="\n") as file:
        for line in file:
            columns = json.loads(line)
            columns["payload"] = _text_of_payload(line)
            yield {name: columns[name] for name in (*HASHED_COLUMNS, "hash")}


def _text_of_payload(line: str) -> str:
    """Return the payload as it is spelled, for its spelling is what the hash is of."""
    # In a line of JSON, no text can hold this mark: its quotation marks would be escaped.
    _, found, text = line.rstrip().removesuffix("}").partition(_PAYLOAD)
    if not found:
        raise ValueError("a line does not end with a payload")
    return text


def _traces(folder: Path, form: str) -> Iterator[tuple[str, bytes]]:
    if form == "npz":
        yield from _from_npz(folder / f"{TRACES}.npz")
    elif form == "csv":
        for path in sorted((folder / TRACES).glob("*/*.csv")):
            with path.open(encoding="utf-8", newline="") as file:
                rows = list(csv.DictReader(file))
            data = encode_trace(
                [float(row["time_s"]) for row in rows], [float(row["force_n"]) for row in rows]
            )
            yield path.stem, data
    for path in sorted((folder / PHOTOS).glob("*.jpg")):
        yield path.stem, packed(path.read_bytes())


def _from_npz(path: Path) -> Iterator[tuple[str, bytes]]:
    with zipfile.ZipFile(path) as archive:
        for name in archive.namelist():
            with archive.open(name) as member:
                time_s, force_n = np.lib.format.read_array(member, allow_pickle=False)
            yield name.removesuffix(".npy"), encode_trace(time_s, force_n)
