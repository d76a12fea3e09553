from collections.abc import Iterator
from pathlib import Path

import pytest

from calibration.worth import OhmWorth
from station.crimp.wire import awg
from station.crimp.wire_check import check_wire
from station.errors import BadInput, UnknownSize
from station.ledger.entries import Joint, ReelAdded, ReelOut
from station.ledger.store import Ledger
from station.shop.reels import (
    NO_REEL,
    Reel,
    chosen_reels,
    described_reel,
    in_use,
    measured_reel,
    reels,
)

WORTH = OhmWorth(0.1, 0.02, 0.1, 1e-6)
JOINT = Joint(connector="butt-splice-red", wires=("18 AWG", "20 AWG"), tool="t", nest="n")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "station.ledger") as opened:
        yield opened


def reel_of(size: str, name: str = "R1") -> Reel:
    return Reel(ReelAdded(reel=name, size=size))


def test_a_metre_by_hand() -> None:
    # 21.0 mohm over 1 m at 26 °C are 20.516 at 20 °C by 0.00393/K. Meter: 0.1 % of 21 and 0.02 %
    # of 100 mohm, rectangular: 0.0237 mohm; 0.5 mm of 1 m; 1 K: 0.39 %; together 0.41 % [calc].
    made = measured_reel(
        reel_of("18 AWG"), [21.0e-3] * 3, WORTH, (1.0, 0.0005), (26.0, 1.0), instrument="m"
    )
    assert made.ohm_per_m == pytest.approx(20.516e-3, rel=1e-4)
    assert made.u_ohm_per_m / made.ohm_per_m == pytest.approx(0.0041, abs=1e-4)
    assert (made.answer, made.effective_dof) == ("as sold", None)


def test_repeats_that_scatter_leave_few_degrees_of_freedom() -> None:
    repeats = [20.9e-3, 21.0e-3, 21.1e-3]
    still = OhmWorth(0.0, 0.0, 0.1, 0.0)
    made = measured_reel(reel_of("18 AWG"), repeats, still, (1.0, 0.0), (20.0, 0.0), instrument="m")
    assert made.effective_dof == pytest.approx(2.0)
    known = check_wire(21.0e-3, 1.0, awg(18), u_ohm=1e-4 / 3**0.5)
    assert made.u_ohm_per_m == pytest.approx(known.u_ohm_per_m)


def test_a_reference_keeps_the_reading_without_the_scale() -> None:
    made = measured_reel(
        reel_of("18 AWG"), [1.7e-3] * 3, WORTH, (0.08, 0.0005), (None, 3.0),
        instrument="m", in_fixture=True,
    )  # fmt: skip
    reel = Reel(ReelAdded(reel="R1", size="18 AWG"), made)
    reference = reel.reference(0.08, "m")
    assert reference is not None
    assert (reference.reading_ohm, reference.temperature_c) == (1.7e-3, None)
    (accuracy,) = [one for one in reference.budget if one.name == "meter accuracy"]
    assert accuracy.u == pytest.approx(0.02e-3 / 3**0.5)
    assert reel.reference(0.1, "m") is None
    assert reel.reference(0.08, "other") is None


def test_a_reel_stands_as_it_was_measured_last_and_a_length_before_a_span(ledger: Ledger) -> None:
    first = described_reel(ledger.reader, {"reel": " R 1 ", "size": "18awg", "strands": "16x30"})
    assert (first.reel, first.size, first.material) == ("R 1", "18 AWG", "copper")
    ledger.append(first, person="Ann")
    for length_m, in_fixture in ((0.08, True), (1.0, False), (2.0, False), (0.08, True)):
        made = measured_reel(
            in_use(ledger.reader, "R 1"), [21e-3 * length_m] * 3, WORTH, (length_m, 0.0005),
            (20.0, 1.0), instrument="m", in_fixture=in_fixture,
        )  # fmt: skip
        ledger.append(made, person="Ann")
    found = reels(ledger.reader)["R 1"]
    assert found.measured is not None
    assert found.measured.length_m == 2.0
    assert found.measured_at is not None
    ledger.append(ReelOut(reel="R 1", reason="empty"), person="Ann")
    assert reels(ledger.reader)["R 1"].out == "empty"
    with pytest.raises(BadInput, match="out of use: empty"):
        in_use(ledger.reader, "R 1")
    with pytest.raises(BadInput, match="no reel 'R 2'"):
        in_use(ledger.reader, "R 2")
    with pytest.raises(BadInput, match="another name"):
        described_reel(ledger.reader, {"reel": "R 1", "size": "18 AWG"})


@pytest.mark.parametrize(
    "given", [{"size": "18 AWG"}, {"reel": "R2", "size": "18 AWG", "material": "gold"}]
)
def test_a_reel_needs_a_name_and_a_metal(ledger: Ledger, given: dict[str, str]) -> None:
    with pytest.raises(BadInput):
        described_reel(ledger.reader, given)
    with pytest.raises(UnknownSize):
        described_reel(ledger.reader, {"reel": "R3", "size": "18"})


def known(*given: Reel) -> dict[str, Reel]:
    return {reel.name: reel for reel in given}


def test_a_sample_is_of_the_only_reel_or_of_the_one_used_last() -> None:
    only = known(reel_of("18 AWG", "A"))
    assert chosen_reels(only, (), JOINT, {}) == ("A", "")
    two = known(reel_of("18 AWG", "A"), reel_of("18 AWG", "B"), reel_of("20 AWG", "C"))
    assert chosen_reels(two, (), JOINT, {}) == ("", "C")
    assert chosen_reels(two, (), JOINT, {("18 AWG", "copper"): "B"}) == ("B", "C")
    # None chosen on purpose stays none; the last one may have gone.
    assert chosen_reels(two, (NO_REEL, NO_REEL), JOINT, {}) == ()
    assert chosen_reels(two, (), JOINT, {("20 AWG", "copper"): ""}) == ()
    assert chosen_reels(two, (), JOINT, {("18 AWG", "copper"): "gone"}) == ("", "C")
    assert chosen_reels(two, ("A",), JOINT, {}) == ("A", "C")


def test_a_reel_of_other_wire_or_out_of_use_is_refused() -> None:
    empty = Reel(ReelAdded(reel="E", size="18 AWG"), out="empty")
    clad = Reel(ReelAdded(reel="K", size="18 AWG", material="cca-15"))
    there = known(reel_of("20 AWG", "C"), empty, clad)
    for name in ("C", "E", "K", "nowhere"):
        with pytest.raises(BadInput, match=f"{name} is no reel of 18 AWG copper in use"):
            chosen_reels(there, (name, ""), JOINT, {})
    assert chosen_reels(there, (), JOINT, {}) == ("", "C")
