from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.causes import Hint
from station.jobs.certification.statement import (
    Held,
    latest_held,
    practice,
    statement,
    strengths,
    valid_until,
)
from tests.station.jobs.certification.test_judge import PLAN, TASKS, judged, key_of, sat
from tests.station.jobs.invented_samples import sample


def test_statement_says_what_is_and_is_not_shown() -> None:
    key = key_of(TASKS)
    words = " ".join(statement(PLAN, judged(key, sat(key))))
    assert "60 of 60" in words
    assert "at least 95.1%" in words
    assert "up to 4.9%, about one in 21, could be bad" in words
    assert "about one in 20 such examinations" in words
    assert "another tool" in words
    assert "nothing is shown" in statement(PLAN, judged(key, []))[0]


def test_practice_names_the_likeliest_hint_most_frequent_first() -> None:
    key = key_of(["tap", "bullet"])
    codes = list(key)
    samples = [sample(place, 120.0, step=code) for place, code in enumerate(codes)]
    loose = Hint("under-crimped", "too loose", "the nest", 3)
    nicked = Hint("strands-cut", "strands cut", "the stripper", 2)
    control = next(place for place, code in enumerate(codes) if key[code].part == "control")
    hints = {
        "sample-0": [nicked, loose],
        "sample-1": [loose],
        "sample-13": [loose],
        f"sample-{control}": [nicked, loose],
    }
    found = practice(PLAN, key, samples, hints)
    assert [(item.hint, item.samples) for item in found] == [("too loose", 2), ("strands cut", 1)]
    assert found[0].tasks == (PLAN.task("tap").title, PLAN.task("bullet").title)


def test_strengths_name_tasks_without_a_fault() -> None:
    key = key_of(TASKS)
    result = judged(key, sat(key, faults={("tap", 0): {"centred": False}}))
    assert len(strengths(result)) == 5


@pytest.mark.parametrize(
    ("day", "months", "until"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2027, 8, 31), 6, date(2028, 2, 29)),
        (date(2026, 11, 25), 12, date(2027, 11, 25)),
        (date(2026, 12, 31), 12, date(2027, 12, 31)),
    ],
)
def test_validity(day: date, months: int, until: date) -> None:
    assert valid_until(day, months) == until


@given(st.dates(date(1990, 1, 1), date(2100, 1, 1)), st.integers(1, 60))
def test_validity_is_within_a_month_length_of_the_months(day: date, months: int) -> None:
    days = (valid_until(day, months) - day).days
    assert 28 * months <= days <= 31 * months


def test_reminder() -> None:
    held = Held("Dag", "job", "Certification", date(2027, 1, 31), "hash", 30)
    assert held.state(date(2026, 12, 1)) == "valid"
    assert held.state(date(2027, 1, 1)) == "ends soon"
    assert held.state(date(2027, 1, 31)) == "ends soon"
    assert held.state(date(2027, 2, 1)) == "expired"
    older = Held("Dag", "old", "Certification", date(2026, 1, 31), "hash", 30)
    assert latest_held([held, older]) == {"Dag": held}
