import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.uncertainty import Contribution
from station.errors import BadInput
from station.resistance import WireSpan, reduce_by_length
from station.wire import MATERIALS, parse_size

COPPER = MATERIALS["copper"]


def span(size: str = "SAE 16", length_m: float = 0.1524, **changes: float) -> WireSpan:
    return WireSpan(parse_size(size), COPPER, length_m, **changes)


def test_splice_by_the_three_inch_method_at_20_c() -> None:
    # SAE J163 method (text seen once): 2.70 mohm over 2 x 76.2 mm of SAE 16 leaves 0.480 (CALC).
    result = reduce_by_length(2.70e-3, [], [span()], temperature_c=20.0)
    assert result.wire_share_ohm * 1e3 == pytest.approx(2.220, abs=5e-4)
    assert result.splice_ohm * 1e3 == pytest.approx(0.480, abs=5e-4)


def test_only_the_wire_follows_temperature() -> None:
    # The same at 30 °C: share 2.307, splice 0.393 (CALC from the copper coefficient).
    result = reduce_by_length(2.70e-3, [], [span()], temperature_c=30.0)
    assert result.wire_share_ohm * 1e3 == pytest.approx(2.307, abs=5e-4)
    assert result.splice_ohm * 1e3 == pytest.approx(0.393, abs=5e-4)


def test_two_different_wires_add() -> None:
    one = reduce_by_length(5e-3, [], [span("18 AWG", 0.05)])
    other = reduce_by_length(5e-3, [], [span("20 AWG", 0.03)])
    both = reduce_by_length(5e-3, [], [span("18 AWG", 0.05), span("20 AWG", 0.03)])
    assert both.wire_share_ohm == pytest.approx(one.wire_share_ohm + other.wire_share_ohm)


def test_budget_by_hand() -> None:
    # u of span: 14.57 mohm/m x 0.5 mm; of the wire: 1.2 % of 2.220; each by hand (CALC).
    result = reduce_by_length(
        2.70e-3,
        [Contribution("reading", 5e-6)],
        [span(u_length_m=0.0005, u_fraction=0.012)],
        temperature_c=20.0,
        u_temperature_k=1.0,
    )
    lines = {line.name: line.u * 1e3 for line in result.budget.contributions}
    assert lines["reading"] == pytest.approx(0.005)
    assert lines["span"] == pytest.approx(0.00728, abs=1e-5)
    assert lines["wire ohm per metre"] == pytest.approx(0.02664, abs=1e-5)
    assert lines["temperature"] == pytest.approx(2.220 * 0.00393, abs=1e-5)
    assert result.u_ohm * 1e3 == pytest.approx(math.hypot(*lines.values()))


def test_impossible_splice_is_void() -> None:
    result = reduce_by_length(1.0e-3, [Contribution("reading", 5e-6)], [span()])
    assert result.void_reason is not None
    assert "wrong wire size" in result.void_reason


def test_slightly_negative_splice_is_not_void() -> None:
    result = reduce_by_length(2.218e-3, [Contribution("reading", 5e-6)], [span()])
    assert result.void_reason is None


@given(st.floats(1e-4, 1e-1), st.floats(0.0, 1.0), st.floats(-40.0, 120.0))
def test_parts_add_up(reading_ohm: float, length_m: float, temperature_c: float) -> None:
    result = reduce_by_length(
        reading_ohm, [], [span("18 AWG", length_m)], temperature_c=temperature_c
    )
    assert result.splice_ohm + result.wire_share_ohm == pytest.approx(reading_ohm)


@pytest.mark.parametrize("length_m", [-0.1, math.nan, math.inf])
def test_impossible_spans_are_refused(length_m: float) -> None:
    with pytest.raises(BadInput, match="length_m"):
        span(length_m=length_m)


@pytest.mark.parametrize("reading_ohm", [math.nan, math.inf])
def test_impossible_readings_are_refused(reading_ohm: float) -> None:
    with pytest.raises(BadInput, match="not a number"):
        reduce_by_length(reading_ohm, [], [span()])
