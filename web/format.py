"""How values are written for people: units they use, as many digits as the uncertainty allows."""

import json
from collections.abc import Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime

from station.crimp import units as units_of
from station.crimp.units import NOTHING
from station.crimp.wire import parse_size
from station.ledger.entries import CriterionResult

VERDICT_WORDS = {"pass": "Pass", "fail": "Fail", "undecided": "Undecided", "void": "Void"}
JOB_WORDS = {
    "daily_check": "Daily check",
    "tool_validation": "Tool validation",
    "certification": "Certification",
    "comparison": "Comparison of ways",
    "service": "After service",
}
CRITERION_WORDS = {
    "pull_force_min": "Pull force",
    "voltage_drop_max": "Voltage drop",
    "resistance_max": "Resistance",
    "resistance_ratio_max": "Resistance ratio",
}
ROLE_WORDS = {"apprentice": "Apprentice", "installer": "Installer", "lead": "Lead"}


@dataclass(frozen=True, slots=True)
class Units:
    """The units in which a reader thinks."""

    force: str = "N"
    """``N`` or ``lbf``: which comes first."""
    wire: str = "named"
    """``named``: as the size is called; ``area``: with its square millimetres beside it."""


USUAL = Units()

units: ContextVar[Units] = ContextVar("units")
"""Those of who is being answered; set anew with each request."""


def newton(force_n: float | None, u_n: float | None = None) -> str:
    """Write a force in newton and pound-force, the reader's own unit first."""
    return units_of.newton(force_n, u_n, lbf_first=units.get(USUAL).force != "N")


def quantity(value: float | None, unit: str, u: float | None = None) -> str:
    """Write a value that is stored in the SI unit ``unit``."""
    return newton(value, u) if unit == "N" else units_of.quantity(value, unit, u)


def uncertainty(u: float | None, unit: str) -> str:
    """Write a standard uncertainty in the unit people read, with two digits of its own."""
    return NOTHING if u is None else quantity(u, unit, u)


def score(value: float | None) -> str:
    """Write a standard score with its sign."""
    # Adding zero turns minus zero into zero.
    return NOTHING if value is None else f"{round(value, 1) + 0.0:+.1f}"


def percent(probability: float | None) -> str:
    """Write a probability without claiming more than three digits."""
    if probability is None:
        return NOTHING
    if probability > 0.999:
        return "over 99.9 %"
    if probability < 0.001:
        return "under 0.1 %"
    return f"{probability * 100.0:.1f} %"


def reason(result: CriterionResult) -> str:
    """Say in a sentence or two how a value stands to its limit."""
    name = CRITERION_WORDS.get(result.criterion, result.criterion)
    bound = "at least" if result.criterion.endswith("_min") else "at most"
    limit = f"{bound} {quantity(result.limit, result.unit)}"
    if result.value is None:
        return f"{name} was not measured; it must be {limit}."
    above = result.value - result.limit
    margin = quantity(abs(above), result.unit, result.u)
    sentence = (
        f"{name} {quantity(result.value, result.unit, result.u)}, "
        f"{margin} {'above' if above >= 0.0 else 'below'} its limit: it must be {limit}."
    )
    if result.probability_conforming is None:
        return sentence
    return f"{sentence} Probability that it conforms: {percent(result.probability_conforming)}."


def sentence_case(text: str) -> str:
    """Begin with a capital and leave the rest: German nouns keep theirs."""
    return f"{text[:1].upper()}{text[1:]}"


def check_heading(name: str, passed: bool) -> str:
    """A check and how it went, as a heading."""
    return f"{sentence_case(name)}: {'passed' if passed else 'failed'}"


def local_time(moment: datetime) -> str:
    """Write a moment in local time: ISO date, hour and minute."""
    try:
        here = moment.astimezone()
    except OverflowError:
        # A clock that stood at the end of all time wrote it: it is shown as it was written.
        here = moment
    return f"{here:%Y-%m-%d %H:%M}"


def wires(sizes: Sequence[str]) -> str:
    """Write the wires of a joint, with their areas for a reader who thinks in those."""
    return " + ".join(map(_wire, sizes))


def _wire(size: str) -> str:
    if units.get(USUAL).wire != "area" or size.endswith("mm2"):
        return size
    return f"{size} ({parse_size(size).area_m2 * 1e6:.3g} mm²)"


def standing(code: str | None) -> str:
    """Say how well a printed value is known."""
    if code is None:
        return NOTHING
    if code == "memory":
        return "unverified, from memory"
    if code == "shop":
        return "the shop's own"
    count = code.removeprefix("seen-")
    if count == code:
        return code
    return "seen in 1 text" if count == "1" else f"seen in {count} texts"


def place(tool: str, nest: str) -> str:
    """One form value for a tool and a nest."""
    return json.dumps([tool, nest], ensure_ascii=False)
