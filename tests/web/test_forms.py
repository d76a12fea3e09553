"""What the form offers, and how a place survives the way through it."""

from hypothesis import given
from hypothesis import strategies as st

from station.crimp.facts import shipped_book, shipped_connectors, shipped_limit_sets
from station.crimp.wire import parse_size
from station.ledger.reader import LedgerReader
from web.format import place
from web.forms import (
    choices,
    order_again,
    order_from,
    read_place,
)

WORDS = st.text(max_size=40)


@given(WORDS, WORDS)
def test_place_reads_back(tool: str, nest: str) -> None:
    assert read_place(place(tool, nest)) == (tool, nest)


@given(st.text(max_size=60))
def test_any_text_is_a_place_or_none(text: str) -> None:
    found = read_place(text)
    assert found is None or read_place(place(*found)) == found


def test_form_offers_what_is_on_record(records: LedgerReader) -> None:
    offered = choices(records, shipped_limit_sets())
    assert (place("Bench tool 2", "16/14"), "Bench tool 2, nest 16/14") in offered["places"]
    assert [name for name, _ in offered["limit_sets"]] == list(shipped_limit_sets().ids)
    accepted = {size for item in shipped_connectors().values() for size in item.accepts}
    assert set(offered["wires"]) == accepted
    areas = [parse_size(size).area_m2 for size in offered["wires"]]
    assert areas == sorted(areas)


def test_wires_are_written_canonically() -> None:
    form = {
        "person": " Ann   Example ",
        "job": "tool_validation",
        "tool": "Hand tool 1",
        "nest": "red",
        "connector": "butt-splice-red",
        "wire": "awg 18",
        "wire2": "22awg",
        "limit_set": "mil-t-7928",
    }
    order = order_from(form, shipped_limit_sets())
    assert order.person == "Ann Example"
    assert order.joint.wires == ("18 AWG", "22 AWG")
    assert order.joint.material == "copper"


def test_answers_to_the_visual_check_go_with_the_order() -> None:
    form = {
        "person": "Ann Example",
        "job": "daily_check",
        "tool": "Hand tool 1",
        "nest": "red",
        "connector": "butt-splice-red",
        "wire": "18 AWG",
        "limit_set": "mil-t-7928",
        "look_insulation-at-mouth": "yes",
        "look_strands": "",
        "look_closed": "no",
        "look_halves": "no",
        "look_nothing": "yes",
    }
    answers = order_from(form, shipped_limit_sets()).checklist
    book = shipped_book()
    asked = {item.id for item in book.checklist(book.connectors["butt-splice-red"])}
    assert answers == {
        name: form[f"look_{name}"] == "yes"
        for name in asked
        if form.get(f"look_{name}") in ("yes", "no")
    }
    assert answers["insulation-at-mouth"] is True


def test_order_again_names_what_it_replaces(records: LedgerReader) -> None:
    [row] = records.unfinished()
    order = order_again(row, "Ann Example")
    assert (order.offered_again_for, order.joint.key) == (row.sample_id, row.joint_key)
