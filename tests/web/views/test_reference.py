"""Limits, instruments and people."""

import html
import json

import pytest
from flask.testing import FlaskClient

from station.cli.main import run
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.limits import CriterionTable, LimitSet, LimitSets
from tests.web.benches import BenchAtHand


def test_every_limit_set_stands_with_source_and_standing(client: FlaskClient) -> None:
    text = html.unescape(client.get("/limits").text)
    for name in shipped_limit_sets().ids:
        item = shipped_limit_sets()[name]
        assert item.title in text
        assert item.source in text
        assert item.conditions in text
        for table in item.criteria:
            for size in table.rows:
                assert f"<td>{size}</td>" in text


def test_value_is_shown_as_printed_and_in_newton(client: FlaskClient) -> None:
    # UL 486A pull table, 18 AWG: 20 lbf [seen-3]; newton by the exact factor 4.4482216152605.
    row = client.get("/limits").text.split('id="ul-486a-1991"')[1].split("<td>18 AWG</td>")[1]
    assert "20 lbf" in row[:120]
    assert "89.0 N (20.0 lbf)" in row[:200]


def test_limits_of_one_size_stand_together(client: FlaskClient) -> None:
    page = html.unescape(client.get("/limits?size=18 AWG").text)
    rows = page.split('id="of-size"')[1].split("</section>")[0]
    # UL 486A pull table, 18 AWG: 20 lbf [seen-3]; newton by the exact factor 4.4482216152605.
    assert "89.0 N (20.0 lbf)" in rows
    having = [
        name
        for name in shipped_limit_sets().ids
        for table in shipped_limit_sets()[name].criteria
        if "18 AWG" in table.rows
    ]
    assert rows.count('<a href="#') == len(having)
    (remembered,) = shipped_limit_sets()["abyc-e11-memory"].criteria
    from_memory = client.get("/limits", query_string={"size": next(iter(remembered.rows))}).text
    assert "unverified, from memory" in from_memory.split('id="of-size"')[1].split("</section>")[0]
    assert 'id="of-size"' not in client.get("/limits").text


def test_a_size_says_what_current_it_is_for_and_who_says_so(client: FlaskClient) -> None:
    page = client.get("/limits?size=18+AWG").text
    assert "Conservative current 2.3 A: installers&#39; rule of thumb" in page
    # NEC 240.4(D): 7 A for 18 AWG [seen-1].
    assert "<strong>7 A</strong>: largest fuse or breaker. Small copper conductors" in page
    assert "NEC 240.4(D), edition not noted; check the edition in force (seen in 1 text)" in page
    page = client.get("/limits?size=SAE+18").text
    assert "No text that was read has a current" in page
    for size in ("SAE 4/0", "0.35 mm2", "120 mm2", "26 AWG"):
        assert f"<option>{size}</option>" in page


def test_a_size_without_a_limit_has_none_made_up(client: FlaskClient) -> None:
    assert "No set has a limit for 17 AWG" in client.get("/limits?size=17 AWG").text
    answer = client.get("/limits?size=-3 AWG")
    assert answer.status_code == 400


def test_the_set_in_use_comes_first(client: FlaskClient) -> None:
    text = client.get("/limits").text
    place = {name: text.index(f'<p id="{name}">') for name in shipped_limit_sets().ids}
    in_force = shipped_limit_sets().choice.set_ids
    last = max(place[name] for name in in_force)
    assert all(last < at for name, at in place.items() if name not in in_force)


def test_set_from_memory_says_so(client: FlaskClient, bench: BenchAtHand) -> None:
    table = CriterionTable(criterion="pull_force_min", unit="N", rows={"18 AWG": 1.0})
    invented = LimitSet(
        id="invented",
        title="Invented set",
        source="made up for this test",
        edition="none",
        standing="memory",
        insulation_grip="not stated",
        pull_kind="not stated",
        criteria=(table,),
    )
    bench.limit_sets = LimitSets([invented])
    assert "Unverified, from memory" in client.get("/limits").text
    assert "invented (unverified, from memory)" in client.get("/bench").text


def test_instrument_in_trouble_says_what_is_wrong(client: FlaskClient) -> None:
    text = client.get("/instruments").text
    assert "The cable was pulled out." in text
    assert "Invented meter" in text
    assert "has not been asked yet" in text
    assert text.count("a program plays this instrument") == 2


def test_people_have_roles_and_counts(client: FlaskClient) -> None:
    text = " ".join(client.get("/people").text.split())
    assert 'Bo Invented</a></td><td>Apprentice</td> <td class="num">72</td>' in text
    assert 'Ann Example</a></td><td>Lead</td> <td class="num">0</td>' in text


def test_every_connector_is_shown_with_what_the_command_says(
    client: FlaskClient, capsys: pytest.CaptureFixture[str]
) -> None:
    page = " ".join(client.get("/connectors").text.split())
    assert run(["connectors", "--json"]) == 0
    for told in json.loads(capsys.readouterr().out):
        assert told["title"] in page
        assert ", ".join(told["accepts"]) in page
        if told["strip_length_mm"] is not None:
            low, high = told["strip_length_mm"]
            assert f"{low:g} to {high:g} mm" in page
        for item in told["checklist"]:
            assert item["question"].split("'")[0] in page


def test_joints_that_must_not_be_built_say_so(client: FlaskClient) -> None:
    refused = [family for family in shipped_book().families.values() if not family.accepted_joint]
    page = client.get("/connectors").text
    assert refused
    assert page.count("must not be built") == len(refused)


def test_cautions_stand_before_the_clips(client: FlaskClient) -> None:
    page = client.get("/connectors").text
    assert "airbag" in page
    assert page.index("battery disconnected") < page.index("Current clips")
