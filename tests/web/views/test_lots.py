"""Lots on the page: named once, kept by every sample, and looked back on."""

import re

from station.ledger.entries import WorkDone
from station.ledger.store import Ledger
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE, NOW, order_of
from tests.web.visitor import Visitor

BAG = {"person": "Ann Example", "connector": "butt-splice-red", "sleeve_lot": "S 4"}


def take(visitor: Visitor, lot: str) -> None:
    assert visitor.post("/lots", terminal_lot=lot, **BAG).status_code == 303


def make(bench: BenchAtHand, peak_n: float) -> str:
    bench.clip(order_of("Ann Example", "blue"))
    bench.finish(peak_n, splice_ohm=4e-4)
    finished = bench.board.state.outcome
    assert finished is not None
    return finished.sample_id


def test_a_sample_keeps_the_lot_in_use_and_a_recall_finds_its_work(
    visitor: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    number = {"tool": "Hand tool 1", "nests": "blue", "serial": "HT-0042"}
    assert visitor.post("/tools", person="Ann Example", **number).status_code == 303
    plain = make(bench, 140.0)
    take(visitor, "T1")
    first = make(bench, 140.0)
    assert "terminals T1, sleeves S 4, tool no. HT-0042" in visitor.get("/bench").text
    take(visitor, "T2")
    others = [make(bench, 120.0 + place) for place in range(3)]
    work = WorkDone(day=NOW.date(), work_order="Van 12", tool="Hand tool 1", nest="blue")
    ledger.append(work, person="Ann Example")

    shown = visitor.get(f"/samples/{first}").text
    assert 'href="/lots/recall?lot=T1">terminals T1</a>' in shown
    assert "tool no. HT-0042" in shown
    listed = visitor.get("/samples?lot=T2").text
    assert {one for one in (plain, first, *others) if one in listed} == set(others)
    page = visitor.get("/lots/recall?lot=T1").text
    assert "Samples: 1. Work orders: 1. Outcomes and certificates: 0." in page
    assert "<strong>Van 12</strong>, Hand tool 1, nest blue" in page
    assert first in page
    assert "These records are invented" in page
    later = visitor.get("/lots/recall?lot=T2").text
    (compare,) = re.findall(r'href="(/compare[^"]+)"', later)
    assert "Does it differ from lot T1?" in later
    assert "Cannot be compared" in visitor.get(compare.replace("&amp;", "&")).text
    for _ in range(2):
        take(visitor, "T1")
        make(bench, 150.0)
    compared = visitor.get(compare.replace("&amp;", "&")).text
    assert "T1, butt-splice-red is higher than T2, butt-splice-red by" in compared
    assert "95 % interval" in compared


def test_odd_lots(visitor: Visitor, ledger: Ledger) -> None:
    before = ledger.reader.counts().entries
    assert visitor.post("/lots", **BAG | {"connector": "none"}).status_code == 400
    assert ledger.reader.counts().entries == before
    take(visitor, HOSTILE[:50])
    assert "<script>document" not in visitor.get("/lots").text
    page = visitor.get("/lots/recall", query_string={"lot": HOSTILE})
    assert "<script>document" not in page.text
    assert "look at how the lot is spelled" in page.text
    assert visitor.get("/lots/recall").status_code == 400
