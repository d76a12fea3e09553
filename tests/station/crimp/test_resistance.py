import math
from typing import Any

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.uncertainty import Contribution
from station.crimp.facts import shipped_book
from station.crimp.resistance import (
    ReferenceReading,
    WireSpan,
    delta_ohm,
    in_service,
    of_band,
    of_reel,
    reduce_by_length,
    reduce_by_reference,
)
from station.crimp.wire import (
    MATERIALS,
    parse_size,
    resistance_ohm_per_m,
    sizes_of_installers,
)
from station.crimp.wire_tables import band_of
from station.errors import BadInput

COPPER = MATERIALS["copper"]


def span(size: str = "SAE 16", length_m: float = 0.1524, **changes: Any) -> WireSpan:
    return WireSpan(parse_size(size), COPPER, length_m, **changes)


def test_splice_by_the_three_inch_method_at_20_c() -> None:
    # Method of SAE J163, sections 5 and 6 [seen-1]: 2.70 mohm over 2 x 76.2 mm of SAE 16 leaves
    # 0.480 [calc].
    result = reduce_by_length(2.70e-3, [], [span()], temperature_c=20.0)
    assert result.wire_share_ohm * 1e3 == pytest.approx(2.220, abs=5e-4)
    assert result.splice_ohm * 1e3 == pytest.approx(0.480, abs=5e-4)


def test_only_the_wire_follows_temperature() -> None:
    # The same at 30 °C: share 2.307, splice 0.393, from the coefficient of copper [calc].
    result = reduce_by_length(2.70e-3, [], [span()], temperature_c=30.0)
    assert result.wire_share_ohm * 1e3 == pytest.approx(2.307, abs=5e-4)
    assert result.splice_ohm * 1e3 == pytest.approx(0.393, abs=5e-4)


def test_two_different_wires_add() -> None:
    one = reduce_by_length(5e-3, [], [span("18 AWG", 0.05)])
    other = reduce_by_length(5e-3, [], [span("20 AWG", 0.03)])
    both = reduce_by_length(5e-3, [], [span("18 AWG", 0.05), span("20 AWG", 0.03)])
    assert both.wire_share_ohm == pytest.approx(one.wire_share_ohm + other.wire_share_ohm)


def test_budget_by_hand() -> None:
    # u of span: 14.57 mohm/m x 0.5 mm; of the wire: 1.2 % of 2.220; each by hand [calc].
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


# ---- against GTC, the reference library for uncertainty (Measurement Standards Laboratory) ----


def test_budget_by_length_agrees_with_gtc() -> None:
    reading, lines = 5.13e-3, [Contribution("accuracy", 3e-6), Contribution("repeats", 4e-6, 4)]
    spans = [
        WireSpan(parse_size("18 AWG"), COPPER, 0.075, 0.0004, 0.012),
        WireSpan(parse_size("20 AWG"), COPPER, 0.060, 0.0005, 0.015),
    ]
    ours = reduce_by_length(reading, lines, spans, temperature_c=27.0, u_temperature_k=1.5)

    raw = reading + GTC.ureal(0, 3e-6) + GTC.ureal(0, 4e-6, 4)
    temperature = GTC.ureal(27.0, 1.5)
    share = 0
    for span in spans:
        length = GTC.ureal(span.length_m, span.u_length_m)
        per_metre = resistance_ohm_per_m(span.size) * GTC.ureal(1, span.u_fraction)
        share += length * per_metre * (1 + 0.00393 * (temperature - 20))
    theirs = raw - share
    assert ours.splice_ohm == pytest.approx(theirs.x, rel=1e-9)
    assert ours.u_ohm == pytest.approx(theirs.u, rel=1e-9)
    assert ours.effective_dof == pytest.approx(theirs.df, rel=1e-9)


def test_budget_by_reference_agrees_with_gtc() -> None:
    ours = reduce_by_reference(
        2.05e-3,
        [Contribution("repeats", 2e-6, 2)],
        ReferenceReading(1.84e-3, (Contribution("repeats", 3e-6, 2),), 0.088, 21.0),
        span_m=0.080,
        u_span_m=0.0005,
        u_scale_fraction=0.002,
        temperature_c=24.0,
        u_temperature_k=0.5,
    )
    scale = GTC.ureal(1, 0.002)
    reading = scale * (2.05e-3 + GTC.ureal(0, 2e-6, 2))
    reference = scale * (1.84e-3 + GTC.ureal(0, 3e-6, 2))
    spans = GTC.ureal(0.080, 0.0005) / GTC.ureal(0.088, 0.0005)
    warmth = (1 + 0.00393 * 4) / (1 + 0.00393 * 1) * (1 + 0.00393 * GTC.ureal(0, 0.5))
    theirs = reading - reference * spans * warmth
    assert ours.splice_ohm == pytest.approx(theirs.x, rel=1e-9)
    assert ours.u_ohm == pytest.approx(theirs.u, rel=1e-9)
    assert ours.effective_dof == pytest.approx(theirs.df, rel=1e-9)


# ---- thermal voltages ----


def test_delta_against_the_worked_drift() -> None:
    # 1 mohm at 1 A with 5 uV + 2 uV/s, 0.2 s a reading: one-way 1005.0, delta 1000.0
    # microohm, by (V1 - 2 V2 + V3) / 4 I [calc].
    emf = [5e-6 + 2e-6 * 0.2 * n for n in range(3)]
    first, second, third = 1e-3 + emf[0], -1e-3 + emf[1], 1e-3 + emf[2]
    assert first * 1e6 == pytest.approx(1005.0, abs=0.05)
    assert delta_ohm(first, second, third, 1.0) * 1e6 == pytest.approx(1000.0, abs=1e-6)


@given(st.floats(1e-5, 1.0), st.floats(-1e-4, 1e-4), st.floats(-1e-5, 1e-5), st.floats(0.01, 10.0))
def test_delta_cancels_any_even_drift(r: float, emf: float, drift: float, current: float) -> None:
    first, second, third = (
        sign * r * current + emf + drift * n for n, sign in enumerate((1, -1, 1))
    )
    assert delta_ohm(first, second, third, current) == pytest.approx(
        r, abs=1e-13 / current + 1e-12 * r
    )


@pytest.mark.parametrize("current_a", [0.0, -1.0, math.nan])
def test_impossible_currents_are_refused(current_a: float) -> None:
    with pytest.raises(BadInput, match="current"):
        delta_ohm(1.0, -1.0, 1.0, current_a)


# ---- by reference ----


def test_by_reference_needs_no_ohm_per_metre() -> None:
    reference = ReferenceReading(1.90e-3, (), 0.080)
    result = reduce_by_reference(2.15e-3, [], reference, span_m=0.080)
    assert result.splice_ohm == pytest.approx(0.25e-3)
    longer = ReferenceReading(3.80e-3, (), 0.160)
    assert reduce_by_reference(2.15e-3, [], longer, span_m=0.080).splice_ohm == pytest.approx(
        result.splice_ohm
    )


def test_by_reference_with_half_a_temperature_is_refused() -> None:
    with pytest.raises(BadInput, match="both"):
        reduce_by_reference(
            2e-3, [], ReferenceReading(1.9e-3, (), 0.08), span_m=0.08, temperature_c=20.0
        )


# ---- in service ----


def test_a_dry_circuit_leaves_microvolts() -> None:
    # 20 mV open circuit (IEC 60512-2-1:2002 test 2a, ASTM B539-02 [seen-2]) and 100 mA (ASTM
    # B539-02 [seen-1]): 200 mohm at most, and 50 uV at 0.5 mohm, so that thermal microvolts
    # matter [calc].
    service = in_service(0.5e-3, 0.1, parse_size("18 AWG"), COPPER)
    assert service.voltage_drop_v == pytest.approx(50e-6)
    at_most = in_service(0.2, 0.1, parse_size("18 AWG"), COPPER)
    assert at_most.voltage_drop_v == pytest.approx(20e-3)
    one_way = (service.voltage_drop_v + 5e-6) / 0.1
    assert one_way == pytest.approx(0.55e-3)
    assert delta_ohm(55e-6, -45e-6, 55e-6, 0.1) == pytest.approx(0.5e-3)


def test_voltage_drop_and_heat() -> None:
    # 0.58 mohm at 5 A: 2.9 mV, 14.5 mW; 18 AWG has 20.95 mohm/m by ASTM B258 and IACS [calc].
    service = in_service(0.58e-3, 5.0, parse_size("18 AWG"), COPPER)
    assert service.voltage_drop_v == pytest.approx(2.9e-3)
    assert service.heat_w == pytest.approx(14.5e-3)
    assert service.equivalent_length_m == pytest.approx(0.02769, abs=1e-5)


# Ohm per metre of the metal at 20 °C, apart from the station's own formula: gauges by ASTM B258 and
# 100 % IACS in a public copper list, ohm per 1000 ft [seen-1]; metric wire by the strands that
# sellers give it (number x mm), copper 1/58 [common practice, no source].
FOOT_M = 0.3048
GAUGES = {
    "22 AWG": 16.14, "20 AWG": 10.15, "18 AWG": 6.385, "16 AWG": 4.016, "14 AWG": 2.525,
    "12 AWG": 1.588, "10 AWG": 0.9989, "8 AWG": 0.6282, "6 AWG": 0.3951, "4 AWG": 0.2485,
}  # fmt: skip
STRANDS = {
    "0.5 mm2": (16, 0.2), "0.75 mm2": (24, 0.2), "1 mm2": (32, 0.2), "1.5 mm2": (30, 0.25),
    "2.5 mm2": (50, 0.25), "4 mm2": (56, 0.3), "6 mm2": (84, 0.3), "10 mm2": (80, 0.4),
    "16 mm2": (126, 0.4), "25 mm2": (196, 0.4),
}  # fmt: skip
LAY = 1.02
UNBROKEN = {label: kft * 1e-3 / FOOT_M for label, kft in GAUGES.items()} | {
    label: LAY / 58.0 / (count * math.pi / 4.0 * mm**2) for label, (count, mm) in STRANDS.items()
}


@pytest.mark.parametrize("family", sorted(shipped_book().families))
@pytest.mark.parametrize("label", UNBROKEN)
def test_unbroken_wire_in_place_of_a_joint_reads_zero(label: str, family: str) -> None:
    # From A through M to B is one wire of 80 mm: a fixture half a millimetre off, at 26 °C.
    ohm = UNBROKEN[label] * 0.0805 * (1.0 + 0.00393 * 6.0)
    size = parse_size(label)
    lengths = shipped_book().families[family].wire_lengths([size, size], 0.080)
    for known in (of_band(size), of_reel(1.004 * UNBROKEN[label], 0.004)):
        spans = [WireSpan(one, COPPER, m, 0.0005, per_metre=known) for one, m in lengths]
        result = reduce_by_length(
            ohm, [Contribution("reading", 1e-6)], spans, temperature_c=26.0, u_temperature_k=1.0
        )
        assert abs(result.splice_ohm) <= 2.0 * result.u_ohm
        assert result.void_reason is None


def test_a_reel_at_its_allowed_maximum_is_covered() -> None:
    # 0.5 mm2 at 39.0 mohm/m, the highest of IEC 60228 class 5 [seen-5], and a joint of 0.25 mohm:
    # by the nominal area it would come out at 0.61 over 80 mm with a u of 0.03 [calc].
    reading = 0.25e-3 + 0.080 * 39.0e-3
    size = parse_size("0.5 mm2")
    result = reduce_by_length(reading, [], [WireSpan(size, COPPER, 0.080, per_metre=of_band(size))])
    assert abs(result.splice_ohm - 0.25e-3) <= 1.96 * result.u_ohm
    by_reel = of_reel(39.0e-3, 0.003)
    exact = reduce_by_length(reading, [], [WireSpan(size, COPPER, 0.080, per_metre=by_reel)])
    assert exact.splice_ohm == pytest.approx(0.25e-3)
    assert exact.u_ohm == pytest.approx(0.003 * 0.080 * 39.0e-3)


@pytest.mark.parametrize("size", [size.label for size in sizes_of_installers()])
@given(place=st.floats(0.0, 1.0))
def test_a_reel_anywhere_in_its_band_lies_within_its_interval(size: str, place: float) -> None:
    wire = parse_size(size)
    band, known = band_of(wire), of_band(wire)
    reel = band.low_ohm_per_m + place * (band.high_ohm_per_m - band.low_ohm_per_m)
    assert abs(reel - known.ohm_per_m) <= 1.96 * known.u_fraction * known.ohm_per_m


@pytest.mark.parametrize(
    ("excess_mohm", "void"), [(0.1, False), (-0.2, False), (-0.31, False), (-0.40, True)]
)
def test_a_barrel_may_save_what_it_replaces_and_no_more(excess_mohm: float, void: bool) -> None:
    # 15 mm of 18 AWG are 0.314 mohm at 20 °C [calc]; u of the reading 0.02 mohm.
    wire = WireSpan(parse_size("18 AWG"), COPPER, 0.080)
    reading = 0.080 * 20.948e-3 + excess_mohm * 1e-3
    result = reduce_by_length(
        reading, [Contribution("reading", 2e-5)], [wire], temperature_c=20.0, replaced_m=0.015
    )
    assert result.splice_ohm == pytest.approx(excess_mohm * 1e-3, abs=1e-6)
    assert (result.void_reason is not None) is void
    reference = ReferenceReading(0.080 * 20.948e-3, (), 0.080)
    same = reduce_by_reference(
        reading, [Contribution("reading", 2e-5)], reference, span_m=0.080, replaced_m=0.015
    )
    assert (same.void_reason is not None) is void


@pytest.mark.parametrize(
    ("ohm_per_m", "u"), [(0.0, 0.01), (-1.0, 0.01), (math.nan, 0.0), (0.02, -0.1)]
)
def test_an_impossible_reel_is_refused(ohm_per_m: float, u: float) -> None:
    with pytest.raises(BadInput, match="reel"):
        of_reel(ohm_per_m, u)
