"""Figures: links, titles, nothing that a content policy forbids."""

import re
from xml.etree import ElementTree

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tests.web.invented import HOSTILE
from web.figures import thinned, trace_figure

SVG = "{http://www.w3.org/2000/svg}"


HOSTILE_TITLE = f"$\\frac{{ {HOSTILE}\x00"


def drawn(title: str = "A pull") -> str:
    return trace_figure(
        [0.0, 1.0, 2.0, 2.1], [0.0, 50.0, 100.0, 1.0],
        peak_n=100.0, peak_time_s=2.0, limit_n=90.0, title=title,
    )  # fmt: skip


def test_first_child_is_the_title() -> None:
    root = ElementTree.fromstring(drawn())
    assert (root[0].tag, root[0].text) == (f"{SVG}title", "A pull")


def test_figure_has_no_style_no_script_and_no_outside_address() -> None:
    assert re.search(r"style|script|on\w+=|#010203", drawn()) is None
    assert set(re.findall(r'https?://[^"]+', drawn())) == {"http://www.w3.org/2000/svg"}
    assert "currentColor" in drawn()


def test_equal_data_make_equal_text() -> None:
    assert drawn() == drawn()


def test_hostile_names_are_text_and_formulas_are_not_read() -> None:
    figure = drawn(HOSTILE_TITLE)
    assert "<script" not in figure
    assert HOSTILE in (ElementTree.fromstring(figure)[0].text or "")


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
