"""A million random and mutated lines through every profile's parser.

Stated bound: no exception but the station's own, and no wrong number accepted: what a parser makes
of a line is what the digits in it say, in ASCII, finite and without underscores.
"""

import math
import random
import re
from collections import Counter
from collections.abc import Callable

from station.errors import StationError
from station.instruments.force_lines import ForceLines
from station.instruments.framing import without_header
from station.instruments.meter_answers import OhmAnswers
from station.instruments.profiles import (
    CaliperProfile,
    MeterProfile,
    Profile,
    PullTesterProfile,
    load_profile,
    profile_names,
)
from tests.benchmarks.report import Figures, run
from tests.station.instruments.dialogues import read_transcript

LINES = 1_000_000
SEED = 1
# Numbers that float() takes and no instrument means, among bytes that instruments do send.
BAIT = [
    b"1_000",
    b"nan",
    b"inf",
    "٣".encode(),
    b"1e400",
    b"0x1F",
    b"1e9_9",
    b"--1",
    b"1,5",
    b"\xb2",
]
PIECES = [
    b" ",
    b"+",
    b"-",
    b".",
    b",",
    b"*",
    b"$",
    b"\x02",
    b"N",
    b"kg",
    b"E",
    b"e5",
    b"9",
    b"\xff",
]

_ASCII_NUMBER = re.compile(rb"[+-]?[ \t]*(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d{1,3})?")

Parse = Callable[[bytes], float | None]


def parser(profile: Profile) -> tuple[Parse, list[float]]:
    """A parser that never stops at a fault, and the factors by which its numbers may differ."""
    if isinstance(profile, MeterProfile):
        answers = OhmAnswers(profile)
        return lambda data: answers.read(without_header(data)), list(profile.dialect.units.values())

    if isinstance(profile, CaliperProfile):
        return profile.size_m, list(profile.units.values())

    def force_n(data: bytes) -> float | None:
        # A new run for each line: a unit or a counter that changed is another test's subject.
        sample = ForceLines(profile, "fuzzed").read(data, 0.0)
        return None if sample is None else sample.force_n

    return force_n, list(profile.dialect.units.values())


def seeds(name: str, profile: Profile) -> list[bytes]:
    """What the instrument says in its transcript, line by line."""
    end = profile.line.receive_end.encode("ascii")
    said = b"".join(data for kind, data in read_transcript(name).steps if kind == "<")
    return [line for line in said.split(end) if line]


def mutated(rng: random.Random, line: bytes) -> bytes:
    for _ in range(rng.randint(0, 3)):
        at, upto = sorted(rng.randint(0, len(line)) for _ in range(2))
        new = rng.choice((rng.choice(BAIT), rng.choice(PIECES), rng.randbytes(2), b""))
        line = line[:at] + new + line[at if rng.random() < 0.5 else upto :]
    return line


def justified(value: float, line: bytes, factors: list[float], zero_raw: float) -> bool:
    """True if some ASCII number in the line, in some unit, is the value up to its sign."""
    for match in _ASCII_NUMBER.finditer(line):
        number = float(match[0].replace(b" ", b"").replace(b"\t", b""))
        for factor in factors:
            for sign in (1, -1):
                if math.isclose(sign * (number - zero_raw) * factor, value, rel_tol=1e-9):
                    return True
    return False


def measure() -> Figures:
    rng = random.Random(SEED)
    counts: Counter[str] = Counter()
    names = profile_names()
    each = -(-LINES // len(names))
    for name in names:
        profile = load_profile(name)
        parse, factors = parser(profile)
        zero_raw = profile.dialect.zero_raw if isinstance(profile, PullTesterProfile) else 0.0
        lines = seeds(name, profile)
        for _ in range(each):
            line = mutated(rng, rng.choice(lines)) if rng.random() < 0.8 else rng.randbytes(12)
            counts[outcome(parse, line, factors, zero_raw)] += 1
    figures = {"profiles": len(names), "lines": each * len(names), **counts}
    figures.setdefault("foreign_exceptions", 0)
    figures.setdefault("wrong_numbers", 0)
    holds = not figures["foreign_exceptions"] and not figures["wrong_numbers"]
    return Figures("parser_fuzz", figures, holds and counts["accepted"] > 0)


def outcome(parse: Parse, line: bytes, factors: list[float], zero_raw: float) -> str:
    try:
        value = parse(line)
    except StationError:
        return "refused"
    except Exception:
        return "foreign_exceptions"
    if value is None or value == math.inf:
        return "no_number"
    return "accepted" if justified(value, line, factors, zero_raw) else "wrong_numbers"


if __name__ == "__main__":
    run(measure)
