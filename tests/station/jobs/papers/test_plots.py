from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from station.jobs.papers.plots import (
    Level,
    Row,
    curve,
    strip_plot,
)

VALUES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60)


def parsed(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def places(drawn: ElementTree.Element, name: str) -> list[float]:
    return [float(one.get(name, "")) for one in drawn.iter() if one.tag.endswith("circle")]


def test_a_dot_for_every_value_and_a_line_for_every_level() -> None:
    rows = [Row("first", [1.0, 2.0, 3.0]), Row("second", [2.0])]
    drawn = parsed(strip_plot("pull", "N", rows, [Level(1.5, "limit", alarm=True)]))
    tags = [element.tag.split("}")[-1] for element in drawn.iter()]
    assert tags.count("circle") == 4
    words = [element.text for element in drawn.iter() if element.tag.endswith("text")]
    assert "limit" in words
    assert "first (3)" in words


@given(VALUES)
def test_dots_stand_in_order_and_inside(values: list[float]) -> None:
    drawn = parsed(strip_plot("t", "N", [Row("r", values)], []))
    at = [
        float(element.get("cx", "")) for element in drawn.iter() if element.tag.endswith("circle")
    ]
    assert at == sorted(at)
    assert all(0.0 < place < 640.0 for place in at)


def test_names_are_escaped_and_no_style_is_inline() -> None:
    text = strip_plot("<b>", "N", [Row("<i>", [1.0])], [Level(2.0, "<u>")])
    text += curve("<b>", "%", [("<i>", 95.0)], Level(90.0, "<u>"))
    assert "<b>" not in text
    assert "<i>" not in text
    assert "style=" not in text


def test_nothing_to_draw_is_nothing() -> None:
    assert strip_plot("t", "N", [], []) == ""
    assert curve("t", "%", [], None) == ""


def test_higher_is_higher() -> None:
    drawn = parsed(curve("t", "%", [("a", 80.0), ("b", 95.0)], None))
    up = [
        float(element.get("cy", "")) for element in drawn.iter() if element.tag.endswith("circle")
    ]
    assert up[0] > up[1]
