"""What the form offers, and how a place survives the way through it."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.bench.board import Stage
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.wire import awg, parse_size, sizes_of_installers
from station.errors import BadInput
from station.ledger.reader import LedgerReader
from station.simulation.workshop import good_looks
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of
from web.format import place
from web.forms import (
    as_number,
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
    offered = choices(records, shipped_limit_sets(), shipped_book())
    assert (place("Bench tool 2", "16/14"), "Bench tool 2, nest 16/14") in offered["places"]
    assert [name for name, _ in offered["limit_sets"]] == list(shipped_limit_sets().ids)
    accepted = {size for item in shipped_book().connectors.values() for size in item.accepts}
    assert set(offered["wires"]) == accepted | {size.label for size in sizes_of_installers()}
    assert {"SAE 22", "SAE 4/0", "0.35 mm2", "120 mm2", "26 AWG", "4/0 AWG"} <= set(
        offered["wires"]
    )
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
    order = order_from(form, shipped_limit_sets(), shipped_book())
    assert order.person == "Ann Example"
    assert order.joint.wires == ("18 AWG", "22 AWG")
    assert order.joint.material == "copper"


FORM = {
    "person": "Ann Example", "job": "daily_check", "tool": "Hand tool 1", "nest": "blue",
    "limit_set": "ul-486a-1991",
}  # fmt: skip


def described(connector: str, wire: str, wire2: str = "") -> tuple[str, ...]:
    form = FORM | {"connector": connector, "wire": wire, "wire2": wire2}
    return order_from(form, shipped_limit_sets(), shipped_book()).joint.wires


@pytest.mark.parametrize(
    ("connector", "wire", "wire2", "named"),
    [
        ("ring-blue", "16 AWG", "", ("16 AWG",)),
        ("ring-blue", "20 AWG", "18 AWG", ("18 AWG", "20 AWG")),
        ("lug-4-awg", "4 AWG", "", ("4 AWG",)),
        ("butt-splice-red", "20 AWG", "18 AWG", ("18 AWG", "20 AWG")),
        ("butt-splice-red", "18 AWG", "", ("18 AWG", "18 AWG")),
        ("twisted-and-taped", "18 AWG", "", ("18 AWG", "18 AWG")),
        ("tap-connector-red", "20 AWG", "18 AWG", ("20 AWG", "18 AWG")),
    ],
)
def test_a_joint_is_named_by_its_wires_in_one_way(
    connector: str, wire: str, wire2: str, named: tuple[str, ...]
) -> None:
    assert described(connector, wire, wire2) == named


def test_two_wires_of_one_barrel_fit_by_the_sum_of_their_areas() -> None:
    assert described("parallel-splice-blue", "20 AWG", "18 AWG") == ("18 AWG", "20 AWG")
    with pytest.raises(BadInput, match=r"is not made for 14 AWG with 14 AWG"):
        described("parallel-splice-blue", "14 AWG", "14 AWG")
    # What the page lets a person choose holds both wires of the tap, and none that is too thick.
    book = shipped_book()
    blue = book.connectors["parallel-splice-blue"]
    assert all(book.may_hold(blue, awg(number)) for number in (20, 18, 16, 14))
    assert not any(book.may_hold(blue, awg(number)) for number in (12, 10))


def test_a_barrel_known_by_mm2_alone_may_hold_thinner_wires_together() -> None:
    book = shipped_book()
    lug = book.connectors["lug-120-mm2"]
    held = [label for label in ("0.35 mm2", "95 mm2") if book.may_hold(lug, parse_size(label))]
    assert held == ["0.35 mm2", "95 mm2"]
    assert not book.may_hold(lug, parse_size("150 mm2"))


@given(st.sampled_from(sorted(shipped_book().connectors)), st.data())
def test_every_pair_that_fits_can_be_chosen(name: str, data: st.DataObject) -> None:
    book, sizes = shipped_book(), sizes_of_installers()
    connector = book.connectors[name]
    pair = [data.draw(st.sampled_from(sizes)) for _ in range(2)]
    if book.fit(connector, pair).ok:
        assert all(book.may_hold(connector, size) for size in pair)


def test_order_again_asks_for_the_same_and_names_what_it_replaces(bench: BenchAtHand) -> None:
    made = order_of("Bo Invented", "blue")
    joint = made.joint.model_copy(
        update={"connector": "butt-splice-blue", "wires": ("14 AWG", "16 AWG")}
    )
    asked = replace(made, joint=joint, checklist=good_looks(joint), pull_wire=1, hold=True)
    bench.start(asked)
    bench.until(Stage.CLIP_ON)
    bench.give_up("interrupted")
    begun = bench.ledger.reader.entry(bench.board.state.sample_id or "")
    assert begun is not None
    again = replace(asked, person="Ann Example", offered_again_for=begun.id, checklist={})
    assert order_again(begun, "Ann Example") == again


@pytest.mark.parametrize(
    ("text", "value"),
    [("0,215", 0.215), ("1,5", 1.5), ("-2,25", -2.25), ("12.5", 12.5), ("1000,5", 1000.5)],
)
def test_a_comma_is_a_decimal_point(text: str, value: float) -> None:
    assert as_number(text, "the limit") == value


@pytest.mark.parametrize("text", ["1,250", "-12,000", "1,234,567", "1,234.5", "1.234,5", ","])
def test_a_comma_that_may_mark_thousands_is_refused(text: str) -> None:
    with pytest.raises(BadInput, match="with a point, not a comma"):
        as_number(text, "the limit")
