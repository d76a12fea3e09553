"""Samples that were measured elsewhere: from a table and a mapping to what the record keeps. Pure.

Nothing is judged here. What another laboratory measured, with an uncertainty that this bench cannot
vouch for, is kept beside the bench's own samples, marked as imported, and enters no trend.
"""

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Literal, cast, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field

from station.crimp.in_force import Facts
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import NEWTON_PER_KGF, NEWTON_PER_LBF
from station.crimp.wire import material_named, parse_size
from station.errors import BadInput, StationError
from station.ledger.entries import Joint, SampleImported, VerdictWord
from station.text import demand_address, demand_plain

Name = Literal[
    "measured_at", "measured_by", "connector", "wires", "material", "tool", "nest", "limit_set",
    "splice", "splice_u", "peak", "peak_u", "failure_mode", "verdict", "note",
]  # fmt: skip
NEEDED: tuple[Name, ...] = ("measured_at", "measured_by", "connector", "wires", "tool", "nest")

LONGEST_TEXT = 200
LONGEST_NOTE = 1000

LARGEST = 1e6
"""In newton or ohm: no bench for crimps measures more (our own choice)."""

EARLIEST, LATEST = 1900, 2999
"""Years: one typed with two digits is the year 26 (our own choice)."""

OHM = {"ohm": 1.0, "mOhm": 1e-3, "mΩ": 1e-3, "Ω": 1.0, "uOhm": 1e-6, "µΩ": 1e-6}
NEWTON = {"N": 1.0, "kN": 1e3, "lbf": NEWTON_PER_LBF, "kgf": NEWTON_PER_KGF}


class ImportMap(Facts):
    """How a table from elsewhere is read; a TOML file.

    Every value has a name of ours, and comes from a column or is the same for all rows.
    """

    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    time_format: str | None = None
    """As for ``strptime``; None for ISO 8601."""
    time_zone: str = "UTC"
    """Of times that name none, e.g. ``Europe/Berlin``."""
    splice_unit: Literal["ohm", "mOhm", "mΩ", "Ω", "uOhm", "µΩ"] = "ohm"
    peak_unit: Literal["N", "kN", "lbf", "kgf"] = "N"
    columns: dict[Name, str]
    """The heading of the column of each value."""
    constants: dict[Name, str] = Field(default={})
    verdicts: dict[str, VerdictWord] = Field(default={})
    """Their words for verdicts, where they differ from ours."""
    failure_modes: dict[str, str] = Field(default={})
    """Their words for how a sample let go."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a table comes from: its file's name, and the SHA-256 of its bytes."""

    name: str
    sha256: str


def imported_samples(
    text: str, mapping: ImportMap, source: Source, *, demo: bool = False
) -> list[SampleImported]:
    """Read all samples of a table.

    Raises
    ------
    BadInput
        The mapping does not fit the table, or a row cannot be read; the row is named.
    """
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=mapping.delimiter)
    try:
        _check_headings(mapping, reader.fieldnames or (), source)
        rows = list(reader)
    except csv.Error as error:
        raise BadInput(
            f"{source.name} could not be read as CSV after line {reader.line_num} ({error}): "
            "nothing was imported."
        ) from error
    samples = []
    for number, row in enumerate(rows, start=2):
        try:
            values = dict(_values(row, mapping))
            samples.append(_sample(values, mapping, source, number, demo=demo))
        except (StationError, ValueError) as error:
            raise BadInput(
                f"Row {number} of {source.name}: {str(error).rstrip('.')}. Nothing was imported: "
                "correct the table or the mapping."
            ) from error
    if not samples:
        raise BadInput(f"{source.name} has no rows below its heading: nothing was imported.")
    return samples


def _check_headings(mapping: ImportMap, headings: Sequence[str], source: Source) -> None:
    for name, heading in mapping.columns.items():
        if heading not in headings:
            raise BadInput(
                f"{source.name} has no column {heading!r} for {name}: its columns are "
                f"{', '.join(map(repr, headings)) or 'none'}."
            )
    for needed in NEEDED:
        if needed not in mapping.columns and needed not in mapping.constants:
            raise BadInput(
                f"The mapping does not say where {needed} comes from: name its column under "
                "[columns], or one value for all rows under [constants]."
            )


def _values(row: Mapping[str | None, object], mapping: ImportMap) -> Iterator[tuple[Name, str]]:
    for name, text in mapping.constants.items():
        yield name, _plain(text, name)
    for name, heading in mapping.columns.items():
        value = row.get(heading)
        if isinstance(value, str) and value.strip():
            yield name, _plain(value, name)


def _plain(value: str, name: Name) -> str:
    text = " ".join(value.split())
    longest = LONGEST_NOTE if name == "note" else LONGEST_TEXT
    if len(text) > longest:
        raise BadInput(f"{name} has {len(text)} characters, {longest} will fit")
    return demand_plain(text, name)


def _sample(
    values: Mapping[Name, str], mapping: ImportMap, source: Source, row: int, *, demo: bool
) -> SampleImported:
    for needed in NEEDED:
        if needed not in values:
            raise BadInput(f"it has no {needed}")
    ohm, newton = OHM[mapping.splice_unit], NEWTON[mapping.peak_unit]
    splice, peak = _number(values, "splice", mapping, ohm), _number(values, "peak", mapping, newton)
    if splice is None and peak is None:
        raise BadInput("it has neither a resistance (splice) nor a force (peak)")
    return SampleImported(
        demo=demo,
        source=source.name,
        source_sha256=source.sha256,
        row=row,
        measured_at=_time(values["measured_at"], mapping),
        measured_by=values["measured_by"],
        joint=_joint(values),
        limit_set=values.get("limit_set", ""),
        splice_ohm=splice,
        splice_u_ohm=_number(values, "splice_u", mapping, ohm),
        peak_n=peak,
        peak_u_n=_number(values, "peak_u", mapping, newton),
        failure_mode=_failure_mode(values.get("failure_mode"), mapping),
        verdict=_verdict(values.get("verdict"), mapping),
        note=values.get("note", ""),
    )


def _joint(values: Mapping[Name, str]) -> Joint:
    wires = tuple(parse_size(part).label for part in values["wires"].split("+"))
    demand_address(values["tool"], values["nest"])
    return Joint(
        connector=values["connector"],
        wires=wires,
        material=material_named(values.get("material", "copper")).name,
        tool=values["tool"],
        nest=values["nest"],
    )


def _number(
    values: Mapping[Name, str], name: Name, mapping: ImportMap, scale: float
) -> float | None:
    text = values.get(name)
    if text is None:
        return None
    plain = text.replace(",", ".") if mapping.decimal == "," else text
    try:
        number = float(plain) * scale
    except ValueError:
        raise BadInput("{text!r} for {name} is not a number", text=text, name=name) from None
    if "_" in plain or not plain.isascii():
        # Python would read 1_000, and digits of other scripts.
        raise BadInput(f"{text!r} for {name} is not a number as this table writes them")
    if not math.isfinite(number):
        raise BadInput(f"{text!r} for {name} is not a finite number")
    if abs(number) > LARGEST or (name == "peak" and number < 0.0):
        raise BadInput(f"{text!r} for {name} is no force or resistance that a bench measures")
    if name.endswith("_u") and number < 0.0:
        raise BadInput(f"the uncertainty {name} is negative")
    return number


def _time(text: str, mapping: ImportMap) -> datetime:
    try:
        zone = ZoneInfo(mapping.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput(f"{mapping.time_zone!r} in the mapping is not a time zone") from error
    try:
        if mapping.time_format is None:
            at = datetime.fromisoformat(text)
        else:
            at = datetime.strptime(text, mapping.time_format)  # noqa: DTZ007  its zone follows
    except (ValueError, re.error):
        wanted = mapping.time_format or "ISO 8601, as 2031-05-06T07:08"
        raise BadInput(f"{text!r} for measured_at is not a time as {wanted}") from None
    if not EARLIEST <= at.year <= LATEST:
        raise BadInput(f"{text!r} for measured_at is in the year {at.year:04}")
    return (at if at.tzinfo else at.replace(tzinfo=zone)).astimezone(UTC)


def _verdict(text: str | None, mapping: ImportMap) -> VerdictWord | None:
    if text is None:
        return None
    word = mapping.verdicts.get(text, text.lower())
    if word not in get_args(VerdictWord):
        raise BadInput(f"{text!r} is no verdict: say under [verdicts] what it means")
    return cast(VerdictWord, word)


def _failure_mode(text: str | None, mapping: ImportMap) -> str | None:
    if text is None:
        return None
    mode = mapping.failure_modes.get(text, text)
    if mode not in FAILURE_MODES:
        raise BadInput(
            f"{text!r} is no failure mode: say under [failure_modes] which of "
            f"{', '.join(FAILURE_MODES)} it means"
        )
    return mode
