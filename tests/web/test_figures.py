"""Figures: links, titles, nothing that a content policy forbids."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.ledger.reader import LedgerReader
from station.shop.trend import NestTrend, nest_trend
from tests.web.invented import HOSTILE
from web import figures
from web.figures import thinned, trace_figure, trend_figure

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def worn(records: LedgerReader) -> NestTrend:
    samples = records.nest_samples("Hand tool 1", "red")
    return nest_trend("Hand tool 1", "red", samples, records.baselines(), run_length=1e6)


def link(sample_id: str) -> str:
    return f"/samples/{sample_id}"


def test_first_child_is_the_title(worn: NestTrend) -> None:
    root = ElementTree.fromstring(trend_figure(worn, sample_url=link))
    assert root[0].tag == f"{SVG}title"
    assert root[0].text == f"Tool Hand tool 1, nest red: {worn.sentence}"


def test_every_point_says_what_it_leads_to(worn: NestTrend) -> None:
    root = ElementTree.fromstring(trend_figure(worn, sample_url=link))
    titles = [element[0].text or "" for element in root.iter(f"{SVG}a")]
    assert len(titles) == 2 * len(worn.samples)
    assert all(re.fullmatch(r"Pass, \d{4}-\d\d-\d\d \d\d:\d\d, Bo Invented", t) for t in titles)


def test_figure_has_no_style_no_script_and_no_outside_address(worn: NestTrend) -> None:
    drawn = trend_figure(worn, sample_url=link)
    assert re.search(r"style|script|on\w+=|#010203", drawn) is None
    assert set(re.findall(r'https?://[^"]+', drawn)) == {"http://www.w3.org/2000/svg"}
    assert "currentColor" in drawn


def test_equal_data_make_equal_text(worn: NestTrend) -> None:
    assert trend_figure(worn, sample_url=link) == trend_figure(worn, sample_url=link)


def test_hostile_names_are_text_and_formulas_are_not_read(worn: NestTrend) -> None:
    points = tuple(
        replace(point, sample=replace(point.sample, person=HOSTILE)) for point in worn.points
    )
    drawn = trend_figure(
        replace(worn, tool=f"$\\frac{{ {HOSTILE}\x00", points=points), sample_url=link
    )
    assert "<script" not in drawn
    root = ElementTree.fromstring(drawn)
    assert HOSTILE in (root[0].text or "")


def test_only_the_latest_samples_are_drawn(
    worn: NestTrend, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(figures, "MAX_POINTS", 8)
    root = ElementTree.fromstring(trend_figure(worn, sample_url=link))
    links = [element.get("href") for element in root.iter(f"{SVG}a")]
    latest = [link(row.sample_id) for row in worn.samples[-8:]]
    assert links == latest * 2


def test_trend_without_samples_is_drawn_empty(worn: NestTrend) -> None:
    empty = nest_trend("t", "n", [], {}, run_length=1e6)
    root = ElementTree.fromstring(trend_figure(empty, sample_url=link))
    assert list(root.iter(f"{SVG}a")) == []


def test_verdicts_have_their_own_shapes(worn: NestTrend) -> None:
    words = ("pass", "fail", "undecided")
    points = tuple(
        replace(point, sample=replace(point.sample, verdict=words[place % 3]))
        for place, point in enumerate(worn.points)
    )
    root = ElementTree.fromstring(trend_figure(replace(worn, points=points), sample_url=link))
    shape_of = {
        (element[0].text or "").split(",")[0]: use.get("href")
        for element in root.iter(f"{SVG}a")
        for use in element.iter(f"{SVG}use")
    }
    assert len(set(shape_of.values())) == 3


def test_trace_names_peak_and_limit() -> None:
    drawn = trace_figure(
        [0.0, 1.0, 2.0, 2.1],
        [0.0, 50.0, 100.0, 1.0],
        peak_n=100.0,
        peak_time_s=2.0,
        limit_n=88.96443230521,
        title="A <pull>",
    )
    assert "peak 100.0 N (22.5 lbf)" in drawn
    assert "limit 89.0 N (20.0 lbf)" in drawn
    assert ElementTree.fromstring(drawn)[0].text == "A <pull>"


def test_trace_without_limit_draws_none() -> None:
    drawn = trace_figure(
        [0.0, 1.0], [0.0, 9.0], peak_n=9.0, peak_time_s=1.0, limit_n=None, title="t"
    )
    assert "limit" not in drawn


@given(st.lists(st.floats(-1e4, 1e4), min_size=2, max_size=400), st.integers(1, 30))
def test_thinning_keeps_extremes_ends_and_order(forces: list[float], columns: int) -> None:
    time_s, force_n = np.arange(len(forces), dtype=np.float64), np.array(forces)
    kept_time, kept_force = thinned(time_s, force_n, columns)
    assert kept_time.size <= 2 * columns + 2
    assert (kept_time[0], kept_time[-1]) == (time_s[0], time_s[-1])
    assert (kept_force.min(), kept_force.max()) == (force_n.min(), force_n.max())
    assert np.all(np.diff(kept_time) > 0.0)
    assert np.array_equal(force_n[kept_time.astype(int)], kept_force)
