"""What a label says, where its scan leads, and codes that are none of the shop's."""

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.shop.lots import described_lot
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE, order_of
from tests.web.visitor import Visitor
from web.format import local_time, place
from web.labels import PREFIX, Label

RED = Label("N", place("Hand tool 1", "red"), "")


def scan(visitor: Visitor, code: str) -> tuple[int, dict[str, Any]]:
    answer = visitor.get("/labels/scan", query_string={"code": code})
    found: dict[str, Any] = answer.get_json()
    return answer.status_code, found


@given(st.sampled_from("ANPL"), st.text(), st.text())
def test_a_code_is_typed_alike_by_every_keyboard_and_is_of_one_value(
    kind: str, value: str, other: str
) -> None:
    code = Label(kind, value, "").code
    assert re.fullmatch(re.escape(PREFIX) + kind + "[0-9A-F]{12}", code)
    assert (code == Label(kind, other, "").code) == (value == other)


def test_the_sheet_has_every_label_and_stays_text(visitor: Visitor, bench: BenchAtHand) -> None:
    bag = {"connector": "butt-splice-red", "terminal_lot": "T 1"}
    bench.enter(described_lot(bench.connectors, bag), "Ann Example")
    page = visitor.get("/labels").text
    for label in (RED, Label("P", "Bo Invented", ""), Label("L", "T 1", ""), Label("A", "go", "")):
        assert f"<title>{label.code}</title>" in page
    assert "<script>document" not in page


def test_a_scan_says_what_it_is_and_leads_there(visitor: Visitor, bench: BenchAtHand) -> None:
    row = bench.ledger.reader.samples(limit=1)[0]
    page = visitor.get(f"/labels?sample={row.sample_id}").text
    # It is told from others in a drawer without a scanner.
    for word in (row.tool, row.nest, *row.wires, local_time(row.at_utc), "data-print"):
        assert word in page
    assert visitor.get("/labels?sample=none").status_code == 400
    sample = re.findall(r"<title>(CRIMP[^<]+)<", page)
    assert scan(visitor, sample[0])[1]["go"] == f"/samples/{row.sample_id}"
    status, found = scan(visitor, RED.code.lower())
    assert (status, found["words"]) == (200, "Scanned: Hand tool 1, nest red.")
    assert visitor.get(found["go"]).status_code == 200
    assert scan(visitor, Label("P", HOSTILE, "").code)[1]["value"] == HOSTILE
    assert scan(visitor, "CRIMP.CAB34X")[1]["go"] == "/certifications/judging/AB34X"


def test_with_a_sample_in_hand_a_nest_is_right_or_wrong(
    visitor: Visitor, bench: BenchAtHand
) -> None:
    bench.clip(order_of("Ann Example", "blue"))
    _, wrong = scan(visitor, RED.code)
    assert wrong["words"] == "Wrong: Hand tool 1, nest red is not the one in hand."
    assert wrong["go"] == ""
    _, right = scan(visitor, Label("N", place("Hand tool 1", "blue"), "").code)
    assert right["words"] == "Right: Hand tool 1, nest blue is in hand."
    bench.finish()


@pytest.mark.parametrize(
    "code",
    ["", "CRIMP.", "CRIMP.N", "CRIMP.S" + "0" * 32, "CRIMP.S" + "G" * 32, "CRIMP.Q1", HOSTILE,
     "CRIMP.C../..", "CRIMP.N" + "0" * 12],
)  # fmt: skip
def test_a_wrong_one_is_told_in_one_sentence(visitor: Visitor, code: str) -> None:
    status, found = scan(visitor, code)
    assert status == 404
    assert found["words"].startswith("This label is none of this shop's")
    assert (found["go"], found["kind"]) == ("", "")
