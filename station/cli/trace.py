"""Command that reads a pull's trace: trace.

Its CSV may be long: it is read fast where it is right, and exactly about where it is wrong.
"""

import csv
import io
import sys
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from station.cli.options import json_option, picked, print_facts, print_json, print_lines
from station.crimp.pull.reduce import (
    FAILURE_MODES,
    MAX_SAMPLES,
    PullReduction,
    reduce_trace,
)
from station.crimp.wire import parse_size
from station.errors import BadInput

COLUMNS = ("time_s", "force_n")
BLOCK_BYTES = 1 << 23
MOST_HEADER_BYTES = 1 << 16

Progress = Callable[[int], None]
Values = NDArray[np.float64]

LARGE_BYTES = 20_000_000
"""A file from this size on shows how far it is read."""

ENDED_BY = {
    "break": "the sample let go",
    "hold": "the force was held",
    "truncated": "the recording stopped with the force still on",
    "nothing": "no force came",
}


@click.command(epilog="Example: station trace pull.csv --wire '18 AWG' --filter-hz 50")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--wire", metavar="SIZE", help="Wire pulled; helps to tell how it let go.")
@click.option("--filter-hz", type=float, help="Corner of the tester's low-pass filter.")
@click.option("--capacity-n", type=float, help="What the tester can take.")
@click.option("--proof-n", type=float, help="Force that was to be held.")
@click.option(
    "--preload-n",
    type=click.FloatRange(min=0.0),
    default=2.0,
    show_default=True,
    help="Below this nothing is held.",
)
@json_option
def trace(
    file: Path,
    wire: str | None,
    filter_hz: float | None,
    capacity_n: float | None,
    proof_n: float | None,
    preload_n: float,
    as_json: bool,
) -> int:
    """Read the pull in FILE: a CSV with the columns time_s and force_n, separated by commas.

    Prints the peak, how far it may be too low, and how the sample probably let go. That is a
    suggestion: what the operator saw is what counts. Exit code 1 says that the pull is void.
    """
    size = None if wire is None else parse_size(wire)
    time_s, force_n = read_trace(file, _progress(file))
    reduced = reduce_trace(
        time_s,
        force_n,
        filter_hz=filter_hz,
        preload_n=preload_n,
        wire=size,
        capacity_n=capacity_n,
        proof_n=proof_n,
    )
    if as_json:
        print_json(_document(reduced))
    else:
        _print(reduced)
    return 0 if reduced.void_reason is None else 1


def _progress(file: Path) -> Progress:
    """Show how far a large file is read, to a person who watches."""
    size = file.stat().st_size if file.is_file() else 0

    def show(done: int) -> None:
        if size >= LARGE_BYTES and sys.stderr.isatty():
            click.echo(f"\rreading: {min(done / size, 1.0):4.0%}", nl=done >= size, err=True)

    return show


def _document(reduced: PullReduction) -> dict[str, object]:
    return picked(
        reduced,
        "peak_n peak_time_s loading_rate_n_per_s peak_may_be_low_by_n drops slack_end_s ended_by "
        "suggested_mode void_reason",
    )


def _print(reduced: PullReduction) -> None:
    facts = [
        ("peak", f"{reduced.peak_n:.4g} N at {reduced.peak_time_s:.4g} s"),
        ("may be low by", f"up to {reduced.peak_may_be_low_by_n:.2g} N"),
    ]
    if reduced.loading_rate_n_per_s is not None:
        facts.append(("loading rate", f"{reduced.loading_rate_n_per_s:.3g} N/s before the peak"))
    if reduced.slack_end_s is not None:
        facts.append(("slack ended", f"at {reduced.slack_end_s:.4g} s"))
    facts += [
        ("drops", str(reduced.drops)),
        ("held", f"{reduced.held_s:.3g} s"),
        ("ended", ENDED_BY[reduced.ended_by]),
    ]
    if reduced.suggested_mode is not None:
        facts.append(("suggestion", FAILURE_MODES[reduced.suggested_mode]))
    print_facts(facts)
    print_lines(f"    {reason}" for reason in reduced.reasons)
    if reduced.void_reason is not None:
        click.echo(f"VOID: {reduced.void_reason}.")
    if reduced.suggested_mode is not None:
        click.echo("Look at the sample: what the operator sees counts, not the suggestion.")


def read_trace(path: Path, progress: Progress = lambda _: None) -> tuple[Values, Values]:
    """Read the columns ``time_s`` and ``force_n`` of a CSV file.

    Parameters
    ----------
    path
        UTF-8, comma separated, with a header; a byte order mark, blank lines and other columns are
        allowed.
    progress
        Told the number of bytes read so far.

    Returns
    -------
    tuple
        Seconds and newtons, shape (n,) each, n at least 2; all finite, time rising.

    Raises
    ------
    BadInput
        The file cannot be read or is no such table; the message names the line.
    """
    try:
        with path.open("rb") as file:
            blocks = _blocks(file, path)
            header, first = _split_header(next(blocks, b""), path)
            places = _places(header, path)
            parts = [_numbers(first, places)]
            done, rows = len(header) + len(first), 0
            for block in blocks:
                rows += len(parts[-1])
                _check_rows(rows, path)
                parts.append(_numbers(block, places))
                done += len(block)
                progress(done)
    except OSError as error:
        raise BadInput(f"{path} cannot be read: {error.strerror or error}.") from error
    except ValueError as error:
        if isinstance(error, BadInput):
            raise
        raise _first_mistake(path) from error
    return _checked(np.concatenate(parts), path)


def _blocks(file: io.BufferedReader, path: Path) -> Iterator[bytes]:
    """Blocks of whole lines, with line ends made alike."""
    rest = b""
    while block := file.read(BLOCK_BYTES):
        if b"\0" in block:
            raise BadInput(f"{path.name} is not a text file: save the trace as CSV in UTF-8.")
        lines, end, rest = (rest + block).rpartition(b"\n")
        if not end and len(rest) > 4 * BLOCK_BYTES:
            raise BadInput(f"{path.name} has no line ends: save the trace as CSV.")
        if end:
            yield _alike(lines + end)
    if rest:
        yield _alike(rest)


def _alike(lines: bytes) -> bytes:
    return lines.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _split_header(block: bytes, path: Path) -> tuple[bytes, bytes]:
    block = block.removeprefix(b"\xef\xbb\xbf").lstrip(b"\n")
    header, _, rest = block.partition(b"\n")
    if not header.strip():
        raise BadInput(f"{path.name} is empty: it needs a header with {', '.join(COLUMNS)}.")
    return header[:MOST_HEADER_BYTES], rest


def _places(header: bytes, path: Path) -> tuple[int, int]:
    """Where the two columns stand."""
    try:
        text = header.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadInput(f"{path.name} is not UTF-8 text: save the trace as CSV in UTF-8.") from error
    names = [name.strip().lower() for name in next(csv.reader([text]), [])]
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        shown = text if len(text) <= 60 else text[:57] + "..."
        separated = "separated by commas, not semicolons" if ";" in text else "in its first line"
        raise BadInput(
            f"{path.name} line 1 is {shown!r}: it needs the columns {' and '.join(COLUMNS)}, "
            f"{separated}."
        )
    return names.index(COLUMNS[0]), names.index(COLUMNS[1])


def _numbers(lines: bytes, places: tuple[int, int]) -> Values:
    """Two columns of a block, shape (n, 2); ValueError where anything is no number."""
    text = lines.decode("utf-8")
    try:
        return _loaded(text, places)
    except ValueError:
        # Spreadsheets save an empty row as commas; only such rows make a second look worth while.
        filled = [line for line in text.split("\n") if line.strip(", \t")]
        return _loaded("\n".join(filled), places)


def _loaded(text: str, places: tuple[int, int]) -> Values:
    if not text.strip():
        return np.empty((0, 2))
    return np.loadtxt(
        io.StringIO(text), delimiter=",", usecols=places, ndmin=2, comments=None, quotechar='"'
    )


def _check_rows(rows: int, path: Path) -> None:
    if rows > MAX_SAMPLES:
        raise BadInput(f"{path.name} has more than {MAX_SAMPLES} rows: cut it to one pull.")


def _checked(table: Values, path: Path) -> tuple[Values, Values]:
    _check_rows(len(table), path)
    if len(table) < 2:
        raise BadInput(f"{path.name} has {len(table)} rows of numbers: a trace needs at least 2.")
    time, force = np.ascontiguousarray(table.T)
    for name, values in zip(COLUMNS, (time, force), strict=True):
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            line = _line_of_row(path, int(bad[0]))
            raise BadInput(f"{path.name} line {line}: {name} is {values[bad[0]]}, not a number.")
    falls = np.flatnonzero(np.diff(time) <= 0.0)
    if falls.size:
        row = int(falls[0]) + 1
        raise BadInput(
            f"{path.name} line {_line_of_row(path, row)}: time_s does not rise, {time[row]:g} "
            f"comes after {time[row - 1]:g}; sort the rows and leave out repeats."
        )
    return time, force


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every row that is not blank, the header first."""
    with path.open(encoding="utf-8-sig", errors="replace", newline=None) as file:
        reader = csv.reader(file)
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row


def _line_of_row(path: Path, row: int) -> int:
    return next(islice(_rows(path), row + 1, None))[0]


def _first_mistake(path: Path) -> BadInput:
    """Find the row that could not be read; slow, and only asked where there is one."""
    try:
        rows = _rows(path)
        names = [name.strip().lower() for name in next(rows)[1]]
        for line, cells in rows:
            for name in COLUMNS:
                place = names.index(name)
                text = cells[place].strip() if place < len(cells) else ""
                if not _is_number(text):
                    shown = text if len(text) <= 30 else text[:27] + "..."
                    return BadInput(f"{path.name} line {line}: {name} is {shown!r}, not a number.")
    except csv.Error as error:
        return BadInput(f"{path.name} cannot be read as CSV: {error}.")
    return BadInput(f"{path.name} cannot be read as CSV: save it as UTF-8 with plain numbers.")


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return text.isascii() and "_" not in text
