"""Lessons: the right fault, the right good one beside it, and how many crimps it took."""

from collections.abc import Callable

import pytest

from station.crimp.facts import shipped_book, shipped_causes
from station.ledger.entries import SampleBegun, SampleFinished
from station.ledger.rows import SampleRow
from station.ledger.store import Ledger
from station.shop.lessons import IN_A_ROW, LOOKED_AT, good_beside, lessons, took
from station.shop.photos import keep_photo
from tests.station.ledger.invented_entries import JOINT, PULL, PULL_LIMIT
from tests.station.shop.pictures import picture

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

RED = JOINT.model_copy(update={"connector": "butt-splice-red", "wires": ("18 AWG",)})
RING = JOINT.model_copy(update={"connector": "ring-red", "wires": ("18 AWG",)})

Make = Callable[..., SampleRow]


@pytest.fixture
def made(
    ledger: Ledger, begun: Callable[..., SampleBegun], finished: Callable[..., SampleFinished]
) -> Make:
    def make(verdict: str, person: str = "Bo", joint: object = RED, **more: object) -> SampleRow:
        sample_id = ledger.append(begun().model_copy(update={"joint": joint}), person=person).id
        limit = PULL_LIMIT.model_copy(update={"verdict": verdict})
        done = finished(sample_id, verdict=verdict, joint=joint, criteria=(limit,), **more)
        ledger.append(done, person=person)
        row = ledger.reader.sample(sample_id)
        assert row is not None
        return row

    return make


def test_a_lesson_names_limit_mode_look_and_likely_cause(ledger: Ledger, made: Make) -> None:
    made("pass")
    drawn = PULL.model_copy(update={"failure_mode": "drawn_out"})
    bad = made("fail", pull=drawn, checklist={"centred": False, "sleeve-whole": True})
    (lesson,) = lessons(ledger.reader, shipped_book(), shipped_causes())
    assert lesson.bad == bad
    assert list(lesson.faults) == ["pull_force_min", "drawn_out", "centred", "under-crimped"]
    for family, count in ((shipped_book().connectors["butt-splice-red"].family, 1), ("none", 0)):
        found = lessons(ledger.reader, shipped_book(), shipped_causes(), family)
        assert len(found) == count


def test_beside_it_stands_the_latest_good_one_of_its_joint(ledger: Ledger, made: Make) -> None:
    bad = made("fail")
    made("pass", joint=RING)
    assert good_beside(ledger.reader, bad) is None
    first, second = made("pass"), made("pass")
    assert good_beside(ledger.reader, bad) == second
    # One that can be looked at teaches more.
    keep_photo(ledger, first, picture(), "Bo", 5)
    assert good_beside(ledger.reader, bad) == first


@pytest.mark.parametrize(
    ("verdicts", "crimps"),
    [
        ("f ppppp", [6]),
        ("pp f pppp f p v pppp", [11]),
        ("f pp f pppp u ppppp", [14]),
        ("f pppp", []),
        ("f v v", []),
    ],
)
def test_crimps_are_counted_until_enough_in_a_row_were_good(
    ledger: Ledger, made: Make, verdicts: str, crimps: list[int]
) -> None:
    words = {"f": "fail", "p": "pass", "v": "void", "u": "undecided"}
    for letter in verdicts.replace(" ", ""):
        made(words[letter])
    made("pass", person="Cy")
    found = lessons(ledger.reader, shipped_book(), shipped_causes())
    assert took(ledger.reader, found) == crimps


def test_who_began_too_many_crimps_ago_is_left_out(ledger: Ledger, made: Make) -> None:
    made("fail")
    found = lessons(ledger.reader, shipped_book(), shipped_causes())
    for _ in range(IN_A_ROW):
        made("pass")
    assert took(ledger.reader, found) == [1 + IN_A_ROW]
    for _ in range(LOOKED_AT):
        made("pass")
    assert took(ledger.reader, found) == []
