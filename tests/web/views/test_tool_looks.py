"""The tool itself: looked at in one form, due where the settings ask for it, held where not so."""

import pytest

from station.errors import NestOnHold
from station.ledger.entries import ToolServiced
from station.ledger.jobs import holds, last_look
from station.ledger.store import Ledger
from station.shop.nests import demand_free, looks_due
from tests.web.benches import BenchAtHand
from tests.web.invented import NOW
from tests.web.visitor import Visitor

LOOK = {"person": "Bo Invented", "place": '["Hand tool 1", "blue"]'}
PAGE = "/tools/Hand%20tool%201/blue"
TODAY = NOW.date()


def asked(bench: BenchAtHand, every_days: int) -> None:
    bench.settings = bench.settings.model_copy(update={"tool_look_every_days": every_days})


def test_nobody_is_asked_as_shipped(visitor: Visitor, bench: BenchAtHand) -> None:
    assert looks_due(bench.ledger.reader, bench.settings.tool_look_every_days, TODAY) == []
    assert 'id="look"' not in visitor.get(PAGE).text
    assert "To be looked at" not in visitor.get("/tools").text
    assert "Tools to be looked at" not in visitor.get("/").text


def test_a_good_look_is_due_again_after_its_days_or_a_service(
    visitor: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    asked(bench, 7)
    assert "Tools to be looked at: 4" in visitor.get("/").text
    assert "Nobody has looked yet." in visitor.get(PAGE).text
    assert visitor.post("/jobs/nests/look", good="yes", no_gauge="yes", **LOOK).status_code == 303
    page = visitor.get(PAGE).text
    assert "all as it should be, no gauge at hand." in page
    assert "Due every 7 days and after a service." in page
    assert "Tools to be looked at: 3" in visitor.get("/").text
    look = last_look(ledger.reader, "Hand tool 1", "blue")
    assert look is not None
    assert (look.gauge, look.ratchet, look.jaws) == (None, True, True)
    blue = "Hand tool 1", "blue"

    def due(after_days: int) -> bool:
        day = TODAY.fromordinal(TODAY.toordinal() + after_days)
        found = looks_due(ledger.reader, 7, day)
        return blue in {(tool, nest) for tool, nest, _ in found}

    assert [due(days) for days in (0, 6, 7)] == [False, False, True]
    ledger.append(ToolServiced(tool="Hand tool 1", nest=None, action="dies"), person="Ann Example")
    assert due(0)


def test_what_is_not_so_holds_the_nest_like_a_failed_check(
    visitor: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    asked(bench, 7)
    bad = {"bad": ["gauge", "ratchet"], "no_gauge": "yes"}
    assert visitor.post("/jobs/nests/look", **bad, **LOOK).status_code == 303
    (hold,) = holds(ledger.reader, tool="Hand tool 1", nest="blue")
    assert hold.needs == "service"
    assert hold.reason == (
        "Go/no-go gauge: the nest is not within its limits. "
        "The ratchet lets go too early, or sticks."
    )
    with pytest.raises(NestOnHold):
        demand_free(ledger.reader, "Hand tool 1", "blue", "daily_check")
    assert "Held since" in visitor.get(PAGE).text
    assert "Tools to be looked at: 3" in visitor.get("/").text


def test_neither_and_both_are_asked_again(visitor: Visitor, ledger: Ledger) -> None:
    before = ledger.reader.counts().entries
    for form in ({}, {"good": "yes", "bad": "jaws"}, {"bad": "no such look"}):
        answer = visitor.post("/jobs/nests/look", **form, **LOOK)
        assert answer.status_code == 400
        assert "Tick what is not as it should be" in answer.text
    no_nest = LOOK | {"place": '["Hand tool 1", "green"]'}
    assert visitor.post("/jobs/nests/look", good="yes", **no_nest).status_code == 400
    assert ledger.reader.counts().entries == before
