"""Tools: states, trends, links."""

import re
from xml.etree import ElementTree

import pytest
from flask.testing import FlaskClient

from station.ledger.entries import ToolServiced
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger


def rows_of(text: str) -> dict[str, str]:
    rows = re.findall(r"<tr>(.*?)</tr>", text, re.DOTALL)
    named = (re.search(r">([^<>]+, [^<>]+)</a>", row) for row in rows)
    return {name[1]: row for name, row in zip(named, rows, strict=True) if name}


@pytest.mark.parametrize(
    ("nest", "state"),
    [
        ("Hand tool 1, red", "Worn"),
        ("Hand tool 1, blue", "Steady"),
        ("Hand tool 1, yellow", "No baseline"),
        ("Bench tool 2, 16/14", "No baseline"),
    ],
)
def test_state_of_each_nest_is_a_word(client: FlaskClient, nest: str, state: str) -> None:
    row = rows_of(client.get("/tools").text)[nest]
    assert f"{state}</span>" in row
    assert ("<polyline" in row) == (state != "No baseline")


def test_every_link_of_the_list_leads_to_its_nest(client: FlaskClient) -> None:
    links = set(re.findall(r'href="(/tools/[^"]+)"', client.get("/tools").text))
    assert len(links) == 4
    for link in links:
        answer = client.get(link)
        assert answer.status_code == 200
        assert "Take a sample" in answer.text


def test_nest_page_says_when_the_change_began(client: FlaskClient) -> None:
    text = client.get("/tools/Hand%20tool%201/red").text
    assert "Worn: pull force fell, beginning about 2031-02-13" in text
    assert "dotted: change began 2031-02-13" in text


def test_every_scored_sample_is_a_link_in_the_figure(
    client: FlaskClient, records: LedgerReader
) -> None:
    figure = client.get("/tools/Hand%20tool%201/red/trend.svg")
    assert figure.mimetype == "image/svg+xml"
    root = ElementTree.fromstring(figure.text)
    links = [link.get("href", "") for link in root.iter("{http://www.w3.org/2000/svg}a")]
    finished = [
        f"/samples/{row.sample_id}"
        for row in records.nest_samples("Hand tool 1", "red")
        if row.verdict
    ]
    # Once for its force, once for its resistance.
    assert sorted(links) == sorted(finished * 2)
    assert client.get(links[0]).status_code == 200


def test_trend_begins_again_after_a_service(client: FlaskClient, ledger: Ledger) -> None:
    service = ToolServiced(tool="Hand tool 1", nest="red", action="new <die>", demo=True)
    ledger.append(service, person="Ann Example")
    text = client.get("/tools/Hand%20tool%201/red").text
    assert "Worn:" not in text
    assert "No sample since its last service" in text
    assert "new &lt;die&gt;" in text
