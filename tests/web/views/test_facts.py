"""Limits, instruments and people."""

import html

from flask.testing import FlaskClient

from station.datafiles import shipped_limit_sets
from station.limits import CriterionTable, LimitSet, LimitSets
from tests.web.fake_bench import FakeBench


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
    # UL 486A pull table, 18 AWG: 20 lbf (SEEN-3); newton by the exact factor 4.4482216152605.
    row = client.get("/limits").text.split('id="ul-486a-1991"')[1].split("<td>18 AWG</td>")[1]
    assert "20 lbf" in row[:120]
    assert "89.0 N (20.0 lbf)" in row[:200]


def test_set_from_memory_says_so(client: FlaskClient, bench: FakeBench) -> None:
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
