"""Two ways side by side on the page."""

import re

from station.ledger.store import Ledger
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE
from tests.web.visitor import Visitor

FORM = {
    "person": "Bo Invented", "job": "comparison", "connector": "butt-splice-red", "wire": "18 AWG",
    "place": '["Hand tool 1", "yellow"]',
}  # fmt: skip


def made(visitor: Visitor, bench: BenchAtHand, way: str, peak_n: float) -> None:
    assert visitor.post("/bench", way=way, **FORM).status_code == 303
    bench.finish(peak_n, splice_ohm=peak_n * 2e-6)


def test_samples_made_to_be_compared_are_compared(
    visitor: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    for place in range(5):
        made(visitor, bench, "good strip", 140.0 + place)
        made(visitor, bench, "nicked strands", 95.0 + 2.0 * place)
    page = visitor.get("/compare").text
    assert '<option value="nicked strands">' in page
    page = visitor.get("/compare?first=good+strip&second=nicked+strands").text
    assert "good strip is higher than nicked strands by 43 N" in page
    assert page.count('<svg class="figure"') == 2
    assert "These records are invented" in page
    assert page.count("nicked strands, invented") == 2
    assert "in 100% of pairs" in page
    german = {"Accept-Language": "de"}
    page = visitor.get("/compare?first=good+strip&second=nicked+strands", headers=german).text
    assert page.count("Mittel von good strip") == 2
    assert "95-%-Intervall" in page
    assert not re.search("mean of|invented<|interval|of both ways", page)


def test_a_comparison_needs_a_label(visitor: Visitor, ledger: Ledger) -> None:
    before = ledger.reader.counts().entries
    assert visitor.post("/bench", way="", **FORM).status_code == 400
    assert visitor.post("/bench", way="a=b", **FORM).status_code == 400
    assert ledger.reader.counts().entries == before


def test_odd_questions(visitor: Visitor) -> None:
    page = visitor.get("/compare", query_string={"first": HOSTILE, "second": "nest=blue"})
    assert "<script>document" not in page.text
    assert visitor.get("/compare?first=beauty=1&second=x").status_code == 400
    assert "Cannot be compared" in visitor.get("/compare?first=none&second=nothing").text
