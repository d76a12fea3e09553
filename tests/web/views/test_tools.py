"""Tools: states, trends, links."""

import csv
import io
import re

import pytest
from flask.testing import FlaskClient

from station.ledger.entries import ToolServiced
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.web.invented import begun, finish, order_of


def rows_of(text: str) -> dict[str, str]:
    rows = re.findall(r"<tr>(.*?)</tr>", text, re.DOTALL)
    named = (re.search(r">([^<>]+, [^<>]+)</a>", row) for row in rows)
    return {name[1]: row for name, row in zip(named, rows, strict=True) if name}


@pytest.mark.parametrize(
    ("nest", "state"),
    [
        ("Hand tool 1, red", "Worn"),
        ("Hand tool 1, blue", "Steady"),
        ("Hand tool 1, yellow", "Cannot tell"),
        ("Bench tool 2, 16/14", "Cannot tell"),
    ],
)
def test_state_of_each_nest_is_a_word(client: FlaskClient, nest: str, state: str) -> None:
    row = rows_of(client.get("/tools").text)[nest]
    assert f"{state}</span>" in row
    assert ("<polyline" in row) == (state != "Cannot tell")


def test_every_link_of_the_list_leads_to_its_nest(client: FlaskClient) -> None:
    links = set(re.findall(r'href="(/tools/[^"]+)"', client.get("/tools").text))
    assert len(links) == 4
    for link in links:
        answer = client.get(link)
        assert answer.status_code == 200
        assert "Take a sample" in answer.text


def test_nest_page_says_when_the_change_began(client: FlaskClient) -> None:
    text = client.get("/tools/Hand%20tool%201/red").text
    assert "Worn: getting weaker since about 2031-02-13" in text
    assert "standard deviations" in text.split("<summary>Why")[1]
    marks = re.findall(r"<li>([^<]*)</li>", text.split('class="faint marks">')[1].split("</ol>")[0])
    # What is marked is numbered in the order of time.
    days = [re.findall(r"\d{4}-\d\d-\d\d", mark)[0] for mark in marks]
    assert days == sorted(days)
    assert "change began 2031-02-13" in marks
    assert any(mark.startswith("signal of the wear watch") for mark in marks)


@pytest.mark.parametrize(("nest", "act"), [("red", "Hold it"), ("blue", "Check it")])
def test_what_is_worn_is_first_to_be_held_and_what_is_steady_to_be_checked(
    client: FlaskClient, nest: str, act: str
) -> None:
    text = client.get(f"/tools/Hand%20tool%201/{nest}").text.split('class="sentence"')[1]
    filled = re.compile(r'<(?:button|a class="button)(?![^>]*quiet)(?![^>]*value=)[^>]*>([^<]*)<')
    found = [one for one in filled.findall(text) if one in ("Hold it", "Check it")]
    assert found == [act]
    assert ('<details class="card" open>' in text) == (act == "Hold it")


def test_every_measured_sample_is_a_link_in_the_figure(
    client: FlaskClient, records: LedgerReader
) -> None:
    text = client.get("/tools/Hand%20tool%201/red").text
    plots = "".join(re.findall(r"<svg class=\"figure plot.*?</svg>", text, re.S))
    links = re.findall(r'<a href="([^"]+)"', plots)
    finished = [
        f"/samples/{row.sample_id}"
        for row in records.nest_samples("Hand tool 1", "red")
        if row.verdict
    ]
    # Once for its force, once for its resistance.
    assert sorted(links) == sorted(finished * 2)
    assert client.get(links[0]).status_code == 200
    # Each verdict has a shape of its own.
    assert set(re.findall(r'href="#mark-(\w+)"', plots)) <= {"pass", "fail", "undecided"}


def test_trend_begins_again_after_a_service(client: FlaskClient, ledger: Ledger) -> None:
    service = ToolServiced(tool="Hand tool 1", nest="red", action="new <die>", demo=True)
    ledger.append(service, person="Ann Example")
    text = client.get("/tools/Hand%20tool%201/red").text
    assert "Worn:" not in text
    assert "No sample since its last service" in text
    assert "new &lt;die&gt;" in text


def test_voids_and_the_service_are_shown(client: FlaskClient, ledger: Ledger) -> None:
    path = "/tools/Hand%20tool%201/blue"
    before = client.get(path).text
    ledger.append(ToolServiced(tool="Hand tool 1", nest="blue", action="= new $die$"), person="Bo")
    assert "No sample since its last service" in client.get(path).text
    for void in (None, "gripped askew"):
        order = order_of("Bo Invented", "blue")
        sample = ledger.append(begun(order), person=order.person).id
        finish(ledger, sample, order, void_reason=void)
    after = client.get(path).text
    assert "= new $die$" in after.split("Services")[1]
    assert before.count("<tr>") > after.count("<tr>") == 3


def test_the_table_is_to_be_had_as_csv(client: FlaskClient, records: LedgerReader) -> None:
    answer = client.get("/tools/Hand%20tool%201/red/samples.csv")
    assert answer.mimetype == "text/csv"
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    shown = [row for row in records.nest_samples("Hand tool 1", "red") if row.verdict]
    assert [row["sample_id"] for row in rows] == [
        row.sample_id for row in shown if row.job != "tool_validation"
    ]
    assert float(rows[0]["peak_n"]) == shown[0].peak_n
    assert rows[-1]["force_score"] != ""
    assert {row["demo"] for row in rows} == {"true"}
    assert client.get("/tools/Hand%20tool%201/none/samples.csv").status_code == 404


def test_a_tool_is_put_on_record(client: FlaskClient, records: LedgerReader, token: str) -> None:
    data = {
        "csrf_token": token, "person": "Bo Invented", "tool": "Hand tool 3",
        "nests": "red, blue,", "description": "An invented tool",
    }  # fmt: skip
    answer = client.post("/tools", data=data)
    assert (answer.status_code, answer.location) == (303, "/tools")
    assert {row.tool: row.nests for row in records.tools()}["Hand tool 3"] == ("red", "blue")
    assert "Hand tool 3, nest red" in client.get("/").text
    assert "An invented tool" in client.get("/tools/Hand tool 3/red").text


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"tool": ""}, "the tool"),
        ({"nests": " , "}, "at least one nest"),
        ({"person": ""}, "the person"),
        ({"person": "Nobody Known"}, "not on record"),
    ],
)
def test_a_tool_without_what_it_needs_is_refused(
    client: FlaskClient, records: LedgerReader, token: str, changed: dict[str, str], why: str
) -> None:
    before = records.counts().entries
    data = {"csrf_token": token, "person": "Bo Invented", "tool": "Hand tool 3", "nests": "red"}
    answer = client.post("/tools", data=data | changed)
    assert answer.status_code == 400
    assert why in answer.text
    assert records.counts().entries == before
