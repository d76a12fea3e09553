"""Samples: filter, pages, everything about one."""

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode
from xml.etree import ElementTree

import pytest
from flask.testing import FlaskClient

from station.bench.sample_entry import finished_sample
from station.ledger.entries import Correction, PullResult, SampleFinished
from station.ledger.entry import Entry
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.web import invented
from tests.web.invented import HOSTILE
from tests.web.visitor import Visitor
from web.format import place
from web.views import samples


def sample_links(text: str) -> list[str]:
    return re.findall(r'<td><a href="/samples/([^"]+)">', text)


def test_newest_sample_comes_first(client: FlaskClient, records: LedgerReader) -> None:
    newest = [row.sample_id for row in records.samples(limit=samples.PAGE_ROWS)]
    assert sample_links(client.get("/samples").text) == newest


def pages_from(client: FlaskClient, path: str) -> list[list[str]]:
    """The samples of a list, page by page."""
    pages: list[list[str]] = []
    while path:
        text = client.get(path).text
        pages.append(sample_links(text))
        older = re.search(r'rel="next" href="([^"]+)"', text)
        path = older[1].replace("&amp;", "&") if older else ""
    return pages


def test_pages_hold_every_sample_once(client: FlaskClient, records: LedgerReader) -> None:
    found = [one for page in pages_from(client, "/samples") for one in page]
    assert found == [row.sample_id for row in records.samples(limit=1000)]
    assert len(found) > samples.PAGE_ROWS


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ({"verdict": "fail"}, 1),
        ({"verdict": "void"}, 0),
        ({"verdict": "unfinished"}, 1),
        ({"person": HOSTILE}, 1),
        ({"person": "Nobody"}, 0),
        ({"place": place("Hand tool 1", "blue")}, 36),
        ({"place": place("Hand tool 1", "yellow"), "verdict": "pass"}, 0),
    ],
)
def test_filter_keeps_what_was_asked_for(
    client: FlaskClient, query: dict[str, str], count: int
) -> None:
    pages = pages_from(client, f"/samples?{urlencode(query)}")
    assert sum(len(page) for page in pages) == count


@pytest.mark.parametrize("query", ["place=x", "place=[1,2]", "verdict=maybe", "before=x"])
def test_filter_that_cannot_be_read_does_not_filter(client: FlaskClient, query: str) -> None:
    text = client.get(f"/samples?{query}").text
    assert len(sample_links(text)) == samples.PAGE_ROWS


@pytest.mark.parametrize("verdict", ["pass", "fail", "void", "unfinished"])
def test_filter_by_verdict_goes_on_from_page_to_page(
    client: FlaskClient, records: LedgerReader, verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(samples, "PAGE_ROWS", 2)
    everything = records.samples(limit=1000)
    expected = [row.sample_id for row in everything if (row.verdict or "unfinished") == verdict]
    pages = pages_from(client, f"/samples?verdict={verdict}")
    assert [one for page in pages for one in page] == expected
    assert len(pages) == max(1, -(-len(expected) // 2))


def test_sample_page_tells_everything(client: FlaskClient, records: LedgerReader) -> None:
    [row] = [row for row in records.samples() if row.verdict == "fail"]
    text = client.get(f"/samples/{row.sample_id}").text
    for words in (
        "71.17 N (16.00 lbf)",
        "89.0 N (20.0 lbf)",
        "0.400 mΩ",
        "Repeatability",
        "not corrected: no thermometer",
        "seen in 3 texts",
        "Invented instrument",
        "This record is invented",
        "wire drawn out of the barrel",
        "<dt>Crosshead</dt><dd>speed not stated</dd>",
        "<dt>Insulation grip</dt><dd>not stated</dd>",
    ):
        assert words in text
    assert '<svg xmlns="http://www.w3.org/2000/svg"' in text


def test_a_sample_says_what_its_limit_asks_and_what_it_does_in_its_circuit(
    client: FlaskClient, records: LedgerReader
) -> None:
    row = records.samples()[-1]
    path = f"/samples/{row.sample_id}"
    page = client.get(path).text
    # 20 lbf over 37,000 psi times 1624 circular mils [calc].
    assert "That is 42 % of what soft 18 AWG copper wire bears." in page
    # 0.406 mΩ at 2.32 A: 0.942 mV and 2.19 mW [calc].
    assert (
        "In its circuit at 2.32 A, computed from its resistance: 0.942 mV, 2.19 mW of heat" in page
    )
    assert "The current is the installers&#39; rule of thumb" in page
    assert "at 10 A, computed from its resistance: 4.06 mV, 40.6 mW" in client.get(
        path, query_string={"current_a": "10"}
    ).text  # fmt: skip
    for wrong in ("-1", "many"):
        assert client.get(path, query_string={"current_a": wrong}).status_code == 400


def test_a_sample_says_how_the_stand_pulled(
    client: FlaskClient, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = invented.pull
    stand = {"crosshead_mm_per_min": 25.0, "insulation_grip": "included"}

    def pull(peak_n: float, mode: str) -> tuple[PullResult, dict[str, bytes]]:
        result, traces = plain(peak_n, mode)
        return result.model_copy(update=stand), traces

    monkeypatch.setattr(invented, "pull", pull)
    order = invented.order_of("Bo Invented", "blue")
    sample_id = ledger.append(invented.begun(order), person=order.person).id
    invented.finish(ledger, sample_id, order)
    text = client.get(f"/samples/{sample_id}").text
    assert "<dt>Crosshead</dt><dd>25 mm/min</dd>" in text
    assert "<dt>Insulation grip</dt><dd>pulled too</dd>" in text


@pytest.mark.parametrize(("dof", "shown"), [(79833983291.0, "over 1000"), (12.4, "12")])
def test_degrees_of_freedom_are_not_counted_to_the_last(
    client: FlaskClient,
    ledger: Ledger,
    monkeypatch: pytest.MonkeyPatch,
    dof: float,
    shown: str,
) -> None:
    plain = invented.reading
    monkeypatch.setattr(
        invented, "reading", lambda ohm: plain(ohm).model_copy(update={"effective_dof": dof})
    )
    order = invented.order_of("Bo Invented", "blue")
    sample_id = ledger.append(invented.begun(order), person=order.person).id
    invented.finish(ledger, sample_id, order)
    text = client.get(f"/samples/{sample_id}").text
    assert f"<dt>Degrees of freedom</dt><dd>{shown}</dd>" in text
    assert "79833983291" not in text


def test_unfinished_sample_has_a_page(client: FlaskClient, records: LedgerReader) -> None:
    [row] = records.unfinished()
    answer = client.get(f"/samples/{row.sample_id}")
    assert answer.status_code == 200
    assert "begun and not finished" in answer.text
    assert client.get(f"/samples/{row.sample_id}/trace.svg").status_code == 404


def test_correction_is_told_beside_what_was_written(
    client: FlaskClient, ledger: Ledger, records: LedgerReader
) -> None:
    row = next(row for row in records.samples() if row.verdict == "pass")
    correction = Correction(
        corrects_id=row.sample_id, reason="wrong <reel>", void_sample=True, demo=True
    )
    ledger.append(correction, person="Ann Example")
    text = client.get(f"/samples/{row.sample_id}").text
    assert "it was pass, and was voided because: wrong &lt;reel&gt;" in text


def test_each_pull_of_a_sample_is_drawn_against_its_own_limit(
    client: FlaskClient, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pulled_twice(*given: Any, **named: Any) -> SampleFinished:
        once = finished_sample(*given, **named)
        assert once.pull is not None
        first = {"wire": 0, "size": "18 AWG"}
        second = {"wire": 1, "size": "14 AWG"}
        force = next(one for one in once.criteria if one.criterion == "pull_force_min")
        return once.model_copy(
            update={
                "pull": once.pull.model_copy(update=first),
                "further_pulls": (once.pull.model_copy(update=second | {"peak_n": 240.0}),),
                "criteria": (
                    force.model_copy(update=first),
                    force.model_copy(update=second | {"limit": 222.4}),
                ),
            }
        )

    monkeypatch.setattr(invented, "finished_sample", pulled_twice)
    order = invented.order_of("Bo Invented", "blue")
    sample_id = ledger.append(invented.begun(order), person=order.person).id
    invented.finish(ledger, sample_id, order)
    text = client.get(f"/samples/{sample_id}").text
    figures = text.split('<svg xmlns="http://www.w3.org/2000/svg"')[1:]
    assert len(figures) == 2
    assert "limit 89.0 N" in figures[0]
    assert "limit 222.4 N" in figures[1]
    assert "peak 240.0 N" in figures[1]


def test_trace_is_a_figure_of_its_own(client: FlaskClient, records: LedgerReader) -> None:
    row = next(row for row in records.samples() if row.trace_sha256)
    answer = client.get(f"/samples/{row.sample_id}/trace.svg")
    assert answer.mimetype == "image/svg+xml"
    assert ElementTree.fromstring(answer.text).tag.endswith("svg")


def test_a_lead_voids_a_sample_with_a_reason(lead: Visitor, records: LedgerReader) -> None:
    row = next(row for row in records.samples() if row.verdict == "pass")
    path = f"/samples/{row.sample_id}"
    assert "Correct this sample" in lead.get(path).text
    assert lead.post(f"{path}/correct", act="void", reason="wrong <reel>").status_code == 303
    text = lead.get(path).text
    assert "it was pass, and was voided because: wrong &lt;reel&gt;" in text
    assert lead.post(f"{path}/correct", act="void", reason="again").status_code == 400
    newest = list(lead_corrections(records))[-1]
    assert (newest.person, newest.payload.demo) == ("Ann Example", True)


def test_a_lead_changes_how_a_sample_let_go(lead: Visitor, records: LedgerReader) -> None:
    row = next(row for row in records.samples() if row.failure_mode == "drawn_out")
    path = f"/samples/{row.sample_id}/correct"
    answer = lead.post(path, act="mode", mode="broke_at_edge", reason="seen again")
    assert answer.status_code == 303
    after = records.sample(row.sample_id)
    assert after is not None
    assert (after.failure_mode, after.verdict) == ("broke_at_edge", row.verdict)


@pytest.mark.parametrize(
    "form",
    [
        {"act": "void"},
        {"act": "void", "reason": "  "},
        {"act": "void", "reason": "x" * 201},
        {"act": "mode", "reason": "a", "mode": "no mode"},
        {"act": "mode", "reason": "a"},
        {"act": "pass", "reason": "a"},
        {"reason": "a"},
    ],
)
def test_a_correction_that_says_too_little_changes_nothing(
    lead: Visitor, records: LedgerReader, form: dict[str, str]
) -> None:
    row = next(row for row in records.samples() if row.verdict == "pass")
    assert lead.post(f"/samples/{row.sample_id}/correct", **form).status_code == 400
    assert records.sample(row.sample_id) == row
    [unfinished] = records.unfinished()
    path = f"/samples/{unfinished.sample_id}/correct"
    assert lead.post(path, act="void", reason="a").status_code == 400
    assert lead.post("/samples/no-such/correct", act="void", reason="a").status_code == 404


def test_nobody_but_a_lead_corrects(
    apprentice: Visitor, visitor: Visitor, records: LedgerReader
) -> None:
    row = next(row for row in records.samples() if row.verdict == "pass")
    path = f"/samples/{row.sample_id}"
    for person, status in ((apprentice, 403), (visitor, 401)):
        assert "Correct this sample" not in person.get(path).text
        assert person.post(f"{path}/correct", act="void", reason="a").status_code == status
    assert records.sample(row.sample_id) == row


def lead_corrections(records: LedgerReader) -> Iterator[Entry]:
    return records.entries(kind=Correction.KIND)
