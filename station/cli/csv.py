"""Reading a person's CSV: named columns, numbers checked, mistakes named by line."""

import csv
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from station.errors import BadInput

MAX_ROWS = 2_000_000

LONGEST_LINE = 100_000
"""In characters."""

LARGEST = 1e100
"""Squares and fourth powers of greater numbers would not be numbers any more."""


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of a CSV file, as text, with the line each row stands on."""

    path: Path
    columns: dict[str, list[str]]
    lines: list[int]

    def numbers(self, name: str) -> list[float]:
        """One column as numbers.

        Raises
        ------
        BadInput
            A value is missing, no number, or not finite; the message names the line.
        """
        return [
            _number(text, name, self.path, line)
            for text, line in zip(self.columns[name], self.lines, strict=True)
        ]

    def words(self, name: str) -> list[str]:
        """One column as text; BadInput where a row leaves it empty."""
        for text, line in zip(self.columns[name], self.lines, strict=True):
            if not text:
                raise BadInput(f"{self.path.name} line {line}: the column {name} is empty.")
        return self.columns[name]

    def has(self, name: str) -> bool:
        """Whether the file has this column."""
        return name in self.columns


def read_table(path: Path, required: Sequence[str], optional: Sequence[str] = ()) -> Table:
    """Read a CSV file with a header; other columns are left aside.

    Parameters
    ----------
    path
        UTF-8, comma separated; a byte order mark and blank lines are allowed.

    Raises
    ------
    BadInput
        The file cannot be read, is empty, lacks a column, or has too many rows.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(_lines(file, path), strict=True)
            rows = ((reader.line_num, row) for row in reader)
            return _read(path, rows, required, optional)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise BadInput(f"{path.name} could not be read as CSV: {reason}.") from error


def read_values(path: Path, others: Sequence[str] = (), optional: Sequence[str] = ()) -> Table:
    """Read a CSV file with a column value, all of it in one unit, and the columns ``others``.

    Raises
    ------
    BadInput
        As ``read_table``, or a column unit names more than one unit.
    """
    table = read_table(path, (*others, "value"), (*optional, "unit"))
    units = list(dict.fromkeys(table.words("unit"))) if table.has("unit") else []
    if len(units) > 1:
        raise BadInput(
            f"{path.name} mixes units ({', '.join(units[:5])}): convert all values to one of them."
        )
    return table


def _lines(file: TextIO, path: Path) -> Iterator[str]:
    """The lines of a file; what has none, such as a device, would be read for ever."""
    while line := file.readline(LONGEST_LINE + 1):
        if len(line) > LONGEST_LINE:
            raise BadInput(
                f"{path.name} has a line of more than {LONGEST_LINE} characters: it is no CSV file."
            )
        yield line


def _read(
    path: Path,
    rows: Iterator[tuple[int, list[str]]],
    required: Sequence[str],
    optional: Sequence[str],
) -> Table:
    _, first = next(rows, (0, []))
    header = [name.strip().lower() for name in first]
    if not any(header):
        raise BadInput(f"{path.name} is empty: it needs a header with {', '.join(required)}.")
    missing = [name for name in required if name not in header]
    if missing:
        raise BadInput(
            f"{path.name} has no column {', '.join(missing)}: its header is {', '.join(header)}."
        )
    wanted = {name: header.index(name) for name in (*required, *optional) if name in header}
    columns: dict[str, list[str]] = {name: [] for name in wanted}
    lines: list[int] = []
    for number, row in rows:
        if not any(cell.strip() for cell in row):
            continue
        if len(lines) >= MAX_ROWS:
            raise BadInput(f"{path.name} has more than {MAX_ROWS} rows: split it.")
        lines.append(number)
        for name, place in wanted.items():
            columns[name].append(row[place].strip() if place < len(row) else "")
    if not lines:
        raise BadInput(f"{path.name} has a header but no rows.")
    return Table(path, columns, lines)


def _number(text: str, name: str, path: Path, line: int) -> float:
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    shown = repr(text if len(text) <= 30 else text[:27] + "...")
    if not math.isfinite(value):
        raise BadInput(f"{path.name} line {line}: {name} is {shown}, not a number.")
    if abs(value) > LARGEST:
        raise BadInput(f"{path.name} line {line}: {name} is {shown}, too large to be measured.")
    return value


@contextmanager
def about(path: Path) -> Iterator[None]:
    """Turn what a calculation refuses into BadInput that names the file."""
    try:
        yield
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(f"{path.name}: {error}.") from error
