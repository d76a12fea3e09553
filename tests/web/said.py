"""Sentences that the station puts together out of pieces, made by its own functions."""

import itertools
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, get_args

from calibration.check_chart import judge_check
from calibration.saying import say
from calibration.standing import (
    CHECK_WORDS,
    CalibrationState,
    CheckResult,
    Standing,
    standing,
)
from calibration.telling import can_tell
from station.bench.board import BenchState
from station.crimp.facts import shipped_book
from station.crimp.limits import CriterionTable, LimitSet, LimitSets
from station.crimp.wire import parse_size
from station.errors import StationError
from station.jobs.sample_order import SampleOrder
from station.ledger.database import plain_errors
from station.ledger.entries import CriterionResult, Joint, ResistanceResult
from station.shop.rights import (
    Right,
    Role,
    demand,
)
from station.shop.studies import sentences
from station.shop.trust import InstrumentTrust
from station.statistics.doubts import outlier_doubt, resolution_doubt, shape_doubt
from tests.doors import Person
from tests.web.said_by_jobs import BY_JOBS
from web.format import CRITERION_WORDS, Units, check_heading, reason, units
from web.forms import as_number

NOON = datetime(2026, 1, 2, 12, tzinfo=UTC)


def reasons() -> Iterator[str]:
    """Every reason of a verdict that a page can show."""
    unit = {"pull_force_min": "N", "voltage_drop_max": "V", "resistance_max": "ohm"}
    chances = (None, 0.5, 1.0, 0.0)
    for criterion, value, chance in itertools.product(CRITERION_WORDS, (None, 0.5, 1.5), chances):
        yield reason(
            CriterionResult(
                criterion=criterion, unit=unit.get(criterion, "1"), value=value, u=0.01, limit=1.0,
                verdict="undecided", probability_conforming=chance,
            )
        )  # fmt: skip


def instruments() -> Iterator[str]:
    """What every page says of an instrument that is not in order."""
    sentence = "Calibration was due on 2026-01-02: calibrate it."
    for role, name, blocked in itertools.product(("meter", "tester"), ("", "X-1"), (True, False)):
        standing = Standing(CalibrationState.OVERDUE, sentence)
        yield InstrumentTrust(role, name, standing, None, (), blocked).sentence  # type: ignore[arg-type]


def checks() -> Iterator[str]:
    """What is said of a check that failed."""
    far = judge_check(2.0, [], expected=1.0, limit=0.1, unit="N")
    unlike = judge_check(1.09, [1.0, 1.001] * 10, expected=1.0, limit=0.1, unit="N")
    assert far.reason
    assert unlike.reason
    for kind, why in itertools.product(CHECK_WORDS, (None, far.reason, unlike.reason)):
        name = "" if kind == "zero" else "R-1"
        check = CheckResult(1, NOON, kind, name, 1.0, 0.1, 2.0, passed=False, reason=why)
        yield standing(None, [check], NOON, due_soon=timedelta(days=30)).sentence


def rights() -> Iterator[str]:
    """Refusals of those who may not."""
    people = [Person("Ann", role) for role in Role] + [Person("Bea", Role.LEAD, active=False)]
    for person, right in itertools.product(people, Right):
        for about in (None, "Ann"):
            try:
                demand(person, right, about=about)
            except StationError as refused:
                yield str(refused)


def with_limits(known: str) -> tuple[BenchState, LimitSets]:
    """A bench with an order, and limits of one standing."""
    joint = Joint(connector="c", wires=("18 AWG",), tool="t", nest="n")
    table = CriterionTable(criterion="pull_force_min", unit="N", rows={"18 AWG": 10.0})
    invented = LimitSet(
        id="invented", title="Invented", source="made up for this test", edition="none",
        standing=known, insulation_grip="not stated", pull_kind="not stated",
        criteria=(table,),
    )  # fmt: skip
    order = SampleOrder("Ann Example", "daily_check", joint, "invented")
    return BenchState(order=order), LimitSets([invented])


def sizes() -> Iterator[str]:
    """Refusals of what is no wire size."""
    for text in ("thick", "18", "SAE 3", "99 AWG", "1000 mm2"):
        try:
            parse_size(text)
        except StationError as refused:
            yield str(refused)


def forces_in_pounds() -> Iterator[str]:
    """Reasons of a verdict for who thinks in lbf."""
    kept = units.set(Units(force="lbf"))
    try:
        yield from reasons()
    finally:
        units.reset(kept)


def barrels() -> Iterator[str]:
    """Warnings of wires that a barrel is not made for."""
    book = shipped_book()
    for connector in book.connectors.values():
        for label in ("30 AWG", "10 AWG", "4/0 AWG"):
            for wires in ([parse_size(label)], [parse_size(label), parse_size("18 AWG")]):
                fit = book.fit(connector, wires)
                if fit.warning is not None:
                    yield fit.warning


def doubts() -> Iterator[str]:
    """What is said of values that look odd."""
    steps, far, skew = [1.0, 2.0] * 10, [1.0, 2.0, 3.0] * 3 + [1e6], [2.0**n for n in range(40)]
    found = (
        shape_doubt(skew),
        outlier_doubt(far),
        resolution_doubt(steps),
        resolution_doubt([1.0] * 9),
    )
    yield from (doubt for doubt in found if doubt is not None)


def states() -> Iterator[str]:
    """How instruments stand and how checks went, as headings."""
    yield from (say(state.value) for state in CalibrationState)
    for kind, passed in itertools.product(CHECK_WORDS, (True, False)):
        name = "" if kind == "zero" else "R-1"
        found = CheckResult(1, NOON, kind, name, 1.0, 0.1, 1.0, passed=passed)
        yield check_heading(found.name, passed)


def ledgers() -> Iterator[str]:
    """What keeps a ledger from being read or written."""
    for name in dir(sqlite3):
        if not name.startswith("SQLITE_") or not isinstance(code := getattr(sqlite3, name), int):
            continue
        broken = sqlite3.OperationalError("10 %")
        broken.sqlite_errorcode = code
        try:
            with plain_errors(Path("invented.ledger")):
                raise broken
        except StationError as error:
            yield str(error)


def studies() -> Iterator[str]:
    """What a study of a gauge shows."""
    for sd, categories in ((1e-9, None), (0.3, 4), (10.0, 1)):
        telling = can_tell(sd, 1.0, 10.0, 8.0, side="lower")
        yield telling.sentence
        gauge = SimpleNamespace(
            gauge_sd=sd, part_sd=1.0, reproducibility_sd=0.1, repeatability_sd=0.1, floored=[],
            percent_gauge=5.0, distinct_categories=categories,
        )  # fmt: skip
        result: Any = SimpleNamespace(unit="N", gauge=gauge, clips=None, telling=telling)
        yield from sentences(result)


def numbers() -> Iterator[str]:
    """Refusals of what is no number."""
    for text in ("1,5", "much", ""):
        try:
            as_number(text, "the temperature")
        except StationError as refused:
            yield str(refused)


def methods() -> Iterator[str]:
    """How a wire's share was found, as the page writes it."""
    names = get_args(ResistanceResult.model_fields["method"].annotation)
    yield from (str(name).replace("_", " ") for name in names)


PUT_TOGETHER = (
    reasons, instruments, checks, rights, sizes, forces_in_pounds, barrels, doubts,
    states, ledgers, studies, numbers, methods, *BY_JOBS,
)  # fmt: skip
