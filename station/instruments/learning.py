"""Proposes a profile for a pull tester from what it was heard to send. Pure.

A proposal is a guess from a few seconds: a person looks at the readings before it is used.
"""

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from station.errors import InstrumentError, InstrumentGarbled
from station.instruments.dialects import MASS_UNITS, LineSettings
from station.instruments.force_lines import ForceLines, xor_intact
from station.instruments.framing import parse_number, show
from station.instruments.profiles import PullTesterProfile, read_profile

FEWEST_LINES = 8

_UNITS_N = {
    "N": 1.0, "kN": 1000.0, "daN": 10.0, "mN": 0.001, "cN": 0.01,
    # Standard gravity (3rd CGPM 1901) and the pound of 0.45359237 kg: exact.
    "kgf": 9.80665, "gf": 0.00980665, "lbf": 4.4482216152605, "ozf": 0.27801385095378125,
    "kg": 9.80665, "g": 0.00980665, "lb": 4.4482216152605, "oz": 0.27801385095378125,
}  # fmt: skip
_TOKEN = re.compile(
    rb"(?P<number>[+-]? *(?:\d+\.?\d*|\.\d+))|(?P<word>[A-Za-z]+)|(?P<blank>[ \t]+)|(?P<mark>.)",
    re.DOTALL,
)
_PULL_OVER_NOISE = 10.0


@dataclass
class LearnedColumn:
    """What stands at one place of every line."""

    kind: str
    """``number``, ``word`` or ``mark``."""
    texts: list[bytes]
    values: list[float]
    role: str = ""

    @property
    def constant(self) -> bool:
        """True when every line has the same text here."""
        return len(set(self.texts)) == 1

    @property
    def whole(self) -> bool:
        """True for digits alone: no sign, no point."""
        return self.kind == "number" and all(text.isdigit() for text in self.texts)


@dataclass(frozen=True, slots=True)
class Proposal:
    """A profile that reads what was heard."""

    text: str
    """What its file would hold."""
    profile: PullTesterProfile
    forces_n: tuple[float, ...]
    """What it makes of the lines that were heard, in N: of each that it can read."""
    lines_heard: int
    remarks: tuple[str, ...]
    """What a person has to look at."""
    status_heard: tuple[str, ...] = ()
    """Words that came with the forces and may tell good ones from others."""


def propose(
    heard: bytes,
    seconds: float,
    line: LineSettings,
    poll: str | None = None,
    good_status: Sequence[str] = (),
) -> Proposal:
    """Propose a profile from ``heard``, all that a tester sent in ``seconds``.

    Parameters
    ----------
    heard
        Somebody should have pulled gently meanwhile: only then is the sign of tension known.
    seconds
        How long was listened.
    line
        The line settings it was heard with; its line end is found anew.
    poll
        What each line was asked for with; null for a stream.
    good_status
        The status words that mean a good force; empty for all that were heard.

    Raises
    ------
    InstrumentGarbled
        There are too few lines, or no number in them that could be a force.
    """
    end = _line_end(heard)
    # A stream is entered and left in mid-line.
    lines = [piece.strip(b"\r\n") for piece in heard.split(end)][1:-1]
    lines = [piece for piece in lines if piece]
    checked = bool(lines) and sum(map(xor_intact, lines)) > 0.9 * len(lines)
    bodies = [piece[:-3] for piece in lines if xor_intact(piece)] if checked else lines
    remarks: list[str] = []
    columns = _columns(bodies)
    dialect = _dialect(columns, checked, remarks)
    status_heard = _name_status(columns)
    if status_heard:
        remarks.append("A force counts only with a status in good_status; any other voids a pull.")
    status = {"good_status": [*(good_status or status_heard)]} if status_heard else {}
    text = _file(
        {
            "line": line.model_dump() | {"receive_end": end.decode("ascii")},
            "dialect": {"poll": poll, "reply": _reply(columns, checked)} | status | dialect,
            "sampling": {"sample_rate_hz": float(f"{max(len(lines) / seconds, 0.1):.4g}")},
            "force": {"resolution_n": 0.1, "capacity_n": 1000, "percent_of_reading": 1.0},
        }
    )
    profile = read_profile(text, "proposed for this tester")
    if not isinstance(profile, PullTesterProfile):
        raise InstrumentGarbled("What was heard is no pull tester.")
    forces_n = tuple(_forces(profile, lines))
    return Proposal(text, profile, forces_n, len(lines), tuple(remarks), status_heard)


def _line_end(heard: bytes) -> bytes:
    for end in (b"\x03", b"\r\n", b"\n", b"\r"):
        if heard.count(end) >= FEWEST_LINES:
            return end
    raise InstrumentGarbled(
        f"Too little was heard, or no line ends: {len(heard)} bytes beginning {show(heard)}. Try "
        "another baud rate, set the tester to send continuously, or allow a poll."
    )


def _columns(lines: list[bytes]) -> list[LearnedColumn]:
    tokens = [
        [match for match in _TOKEN.finditer(line) if match.lastgroup != "blank"] for line in lines
    ]
    form, count = Counter(_form(row) for row in tokens).most_common(1)[0]
    if count < FEWEST_LINES:
        raise InstrumentGarbled(
            f"The lines have no common form; the last was {show(lines[-1])}. Try other line "
            "settings, or listen for longer."
        )
    alike = [[match[0] for match in row] for row in tokens if _form(row) == form]
    columns = []
    for place, texts in zip(form, zip(*alike, strict=True), strict=True):
        kind = place if place in ("number", "word") else "mark"
        values = [parse_number(text) for text in texts] if kind == "number" else []
        columns.append(LearnedColumn(kind, list(texts), values))
    return columns


def _form(row: list[re.Match[bytes]]) -> tuple[str, ...]:
    # A mark is its own kind; numbers and words are alike.
    return tuple(
        match[0].decode("latin-1") if match.lastgroup == "mark" else str(match.lastgroup)
        for match in row
    )


def _dialect(columns: list[LearnedColumn], checked: bool, remarks: list[str]) -> dict[str, object]:
    _name_counters(columns)
    force = _name_force(columns)
    direction = _name_direction(columns, force)
    named = _name_unit(columns, remarks)
    raw = force.whole and not named
    unit = named or ("count" if raw else "N")
    top, pulled = _top(force)
    tension_sign = 1
    signs: dict[str, int] = {}
    if not pulled:
        remarks.append("No pull was seen, so the sign of tension is assumed: pull, and look.")
    elif direction is not None:
        tension_text = direction.texts[top].decode("ascii")
        signs = {tension_text: 1, "0" if tension_text == "1" else "1": -1}
    elif force.values[top] < median(force.values):
        tension_sign = -1
    if direction is not None and not signs:
        signs = {"1": 1, "0": -1}
    if raw:
        remarks.append("The numbers are raw counts: enter the newtons in one count.")
    return {
        "tension_sign": tension_sign,
        "checksum": "xor_hex" if checked else None,
        "zero_raw": median(force.values) if raw else None,
        "assumed_unit": None if named else unit,
        "mass_as_force": True if unit in MASS_UNITS else None,
        "signs": signs or None,
        "units": {unit: _UNITS_N.get(unit, 1.0)},
    }


def _name_counters(columns: list[LearnedColumn]) -> None:
    for column in columns:
        if not column.whole or column.constant:
            continue
        steps = [b - a for a, b in pairwise(column.values)]
        if min(steps) > 0:
            role = "counter" if median(steps) == 1 else "time"
            if all(other.role != role for other in columns):
                column.role = role


def _name_force(columns: list[LearnedColumn]) -> LearnedColumn:
    numbers = [column for column in columns if column.kind == "number" and not column.role]
    if not numbers:
        raise InstrumentGarbled("No number that could be a force stands in the lines.")
    force = max(
        numbers,
        key=lambda column: (
            any(b"." in text for text in column.texts),
            max(column.values) - min(column.values),
        ),
    )
    force.role = "force"
    return force


def _name_direction(columns: list[LearnedColumn], force: LearnedColumn) -> LearnedColumn | None:
    signed = any(text[:1] in (b"+", b"-") for text in force.texts)
    for column in columns:
        if not signed and not column.role and set(column.texts) == {b"0", b"1"}:
            column.role = "sign"
            return column
    return None


def _name_unit(columns: list[LearnedColumn], remarks: list[str]) -> str:
    for column in columns:
        text = column.texts[-1].decode("latin-1")
        if column.kind == "word" and column.constant and text in _UNITS_N:
            column.role = "unit"
            if text in MASS_UNITS:
                remarks.append(
                    f"{text} is a mass: use this only if the tester was calibrated as force."
                )
            return text
    remarks.append("The lines name no unit; one is assumed.")
    return ""


def _name_status(columns: list[LearnedColumn]) -> tuple[str, ...]:
    """Name the column that may tell good forces from others; return its texts, oftenest first.

    That is a word that varies, else the last word or unchanging whole number after the force.
    """
    force = next(place for place, column in enumerate(columns) if column.role == "force")
    free = [(place, column) for place, column in enumerate(columns) if not column.role]
    varied = [column for _, column in free if column.kind == "word" and not column.constant]
    after = [
        column
        for place, column in free
        if place > force and (column.kind == "word" or (column.whole and column.constant))
    ]
    if not (varied or after):
        return ()
    status = (varied or after)[-1]
    status.role = "status"
    return tuple(text.decode("ascii") for text, _ in Counter(status.texts).most_common())


def _top(force: LearnedColumn) -> tuple[int, bool]:
    rest = median(force.values)
    away = [abs(value - rest) for value in force.values]
    top = away.index(max(away))
    shown = sorted(set(force.values))
    digit = min((b - a for a, b in pairwise(shown)), default=1.0)
    return top, away[top] > _PULL_OVER_NOISE * max(median(away), digit)


def _reply(columns: list[LearnedColumn], checked: bool) -> str:
    named = {
        "force": r"(?P<force>[+-]? *[\d.]+)",
        "counter": r"(?P<counter>\d+)",
        "time": r"(?P<time>\d+)",
        "sign": r"(?P<sign>\d)",
        "unit": r"(?P<unit>[A-Za-z]+)",
        "status": r"(?P<status>\w+)",
    }
    pieces = [named.get(column.role) or _anything_like(column) for column in columns]
    return " *".join(["", *pieces, ""]) + (r"\*[0-9A-F]{2}" if checked else "")


def _anything_like(column: LearnedColumn) -> str:
    if column.kind == "mark":
        byte = column.texts[0][0]
        return re.escape(chr(byte)) if 32 < byte < 127 else f"\\x{byte:02x}"
    if column.kind == "number" and not (column.whole and column.constant):
        return r"[+-]?[\d.]+"
    # Only what was heard: with another word, or channel, the line cannot be read.
    return f"(?:{'|'.join(sorted({text.decode('ascii') for text in column.texts}))})"


def _file(tables: dict[str, dict[str, object]]) -> str:
    rows = [
        "# Proposed from what the tester was heard to send. Look at every number before use.",
        'kind = "pull_tester"',
        'title = "Pull tester, learned"',
        'source = "Heard on the line; accuracy and capacity are placeholders: enter your own."',
    ]
    for name, table in tables.items():
        rows += _table(name, table)
    return "\n".join(rows) + "\n"


def _table(name: str, table: dict[str, object]) -> Iterator[str]:
    yield from ("", f"[{name}]")
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _table(f"{name}.{key}", value)
        elif value is not None:
            yield f"{key} = {_toml(value)}"


def _toml(value: object) -> str:
    if isinstance(value, str) and "\\" in value and "'" not in value and value.isprintable():
        return f"'{value}'"
    # JSON's strings and numbers are TOML's, but for a delete that JSON takes as it is.
    return json.dumps(value).replace("\x7f", "\\u007f")


def _forces(profile: PullTesterProfile, lines: list[bytes]) -> Iterator[float]:
    for line in lines:
        # Each by itself: what cannot be read is left out, not raised.
        with suppress(InstrumentError):
            sample = ForceLines(profile, "tester").read(line, 0.0)
            if sample is not None and sample.force_n is not None:
                yield sample.force_n
