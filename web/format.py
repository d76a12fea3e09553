"""How values are written for people: units they use, as many digits as the uncertainty allows."""

import json
import math
from collections.abc import Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime

from calibration.saying import join, say
from station.crimp import units as units_of
from station.crimp.strength import strength_words
from station.crimp.units import NOTHING, standing_words
from station.crimp.verdict import verdict_words
from station.crimp.wire import parse_size
from station.ledger.entries import CriterionResult, SampleFinished
from station.ledger.rows import SampleRow

JOB_WORDS = {
    "daily_check": say("Daily check"),
    "tool_validation": say("Tool validation"),
    "certification": say("Certification"),
    "practice": say("Practice"),
    "comparison": say("Comparison of ways"),
    "service": say("After service"),
}
CRITERION_WORDS = {
    "pull_force_min": say("Pull force"),
    "voltage_drop_max": say("Voltage drop"),
    "resistance_max": say("Resistance"),
    "resistance_ratio_max": say("Resistance ratio"),
    "crimp_height": say("Crimp height"),
    "crimp_width": say("Crimp width"),
}
SHARE_WORDS = {
    "reel": say("the reel as measured"),
    "reference": say("unbroken wire in the same span"),
    "band": say("anything that its standard allows"),
    "nominal": say("the nominal size"),
}
"""What a wire's share rests on."""
ROLE_WORDS = {"apprentice": say("Apprentice"), "installer": say("Installer"), "lead": say("Lead")}


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
        return say("over 99.9 %")
    if probability < 0.001:
        return say("under 0.1 %")
    return f"{probability * 100.0:.1f} %"


def reason(result: CriterionResult) -> str:
    """Say in a sentence or two how a value stands to its limit."""
    name = say(CRITERION_WORDS.get(result.criterion, result.criterion))
    if result.wire is not None:
        wire = wire_named(result.wire, result.size)
        name = say("{name} of {wire}", name=name, wire=wire)
    limit = allowed(result)
    least = result.criterion.endswith("_min")
    bound = say("at least {limit}", limit=limit) if least else say("at most {limit}", limit=limit)
    if result.tolerance is not None:
        bound = say("within {limit}", limit=limit)
    if result.value is None:
        return say("{name} was not measured; it must be {bound}.", name=name, bound=bound)
    above = result.value - result.limit
    sentence = say(
        "{name} {value}, {margin} {side} its {limit}: it must be {bound}.",
        name=name,
        value=bearing(quantity(result.value, result.unit, result.u), result.end, result.held_s),
        margin=quantity(abs(above), result.unit, result.u),
        side=say("above") if above >= 0.0 else say("below"),
        limit=say("limit") if result.tolerance is None else say("target"),
        bound=bound,
    )
    sentences = [sentence]
    if result.test_current_a is not None:
        sentences.append(say("Computed from its resistance at {a:g} A.", a=result.test_current_a))
    if result.size:
        sentences.append(strength_words(result.criterion, result.limit, result.size))
    if result.note:
        sentences.append(say(result.note))
    if result.probability_conforming is not None:
        chance = percent(result.probability_conforming)
        sentences.append(say("Probability that it conforms: {chance}.", chance=chance))
    return join(filter(None, sentences))


def allowed(result: CriterionResult) -> str:
    """Write a limit, or a target with its tolerance."""
    limit, off = quantity(result.limit, result.unit), result.tolerance
    return limit if off is None else f"{limit} ± {quantity(off, result.unit)}"


def bearing(force: str, end: str | None, held_s: float | None) -> str:
    """Say of a force whether it was held, or is only what was borne."""
    if end == "hold":
        # Cut, not rounded: what was not held for its time must not read as if it were.
        seconds = math.floor(10.0 * (held_s or 0.0)) / 10.0
        return say("{force} held for {seconds:g} s", force=force, seconds=seconds)
    return say("at least {force}", force=force) if end == "at_least" else force


def pulled(row: SampleRow) -> str:
    """The force of a sample: its peak, or what it was seen to bear."""
    if row.peak_n is None and row.held_n is not None:
        return bearing(newton(row.held_n), row.pull_end, row.held_s)
    return newton(row.peak_n, row.peak_u_n)


def wire_named(place: int, size: str) -> str:
    """A wire of a joint by its place, counted from 0, and its size."""
    return say("wire {number} ({size})", number=place + 1, size=size)


def sentence_case(text: str) -> str:
    """Begin with a capital and leave the rest: German nouns keep theirs."""
    return text[:1].upper() + text[1:]


def check_heading(name: str, passed: bool) -> str:
    """A check and how it went, as a heading."""
    return say("{name}: passed", name=name) if passed else say("{name}: failed", name=name)


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
    return NOTHING if code is None else standing_words(code)


def badge(sample: SampleRow | SampleFinished) -> str:
    """What the badge of a sample says; nothing of one that is not finished."""
    if isinstance(sample, SampleRow) and sample.imported and sample.verdict == "pass":
        return say("Pass, judged elsewhere")
    return verdict_words(sample.verdict or "", sample.not_judged, sample.only)


def place(tool: str, nest: str) -> str:
    """One form value for a tool and a nest."""
    return json.dumps([tool, nest], ensure_ascii=False)
