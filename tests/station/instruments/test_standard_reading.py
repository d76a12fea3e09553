"""Reading a known standard on simulated instruments."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.errors import BadInput
from station.ledger.entries import InstrumentChecked
from station.ledger.store import Ledger
from station.settings import Settings
from station.simulation import workshop
from station.simulation.demo import SimulatedBench, demo_limit_sets, simulated_bench
from tests.pace import unpaced
from tests.station.ledger.invented_entries import CHECKED

METER = "CRIMP STATION,SIMULATED METER,0001,1"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "station.ledger") as opened:
        yield opened


@pytest.fixture
def simulated(ledger: Ledger) -> Iterator[SimulatedBench]:
    settings = Settings()
    with (
        unpaced(),
        simulated_bench(ledger, demo_limit_sets(), settings, seed=3, demo=True) as bench,
    ):
        yield bench


def test_the_meter_reads_what_hangs_on_its_clips(simulated: SimulatedBench) -> None:
    simulated.hands.clip_on(workshop.joint("Heron", "red", "18 AWG"))
    specimen = simulated.hands.specimen
    assert specimen is not None
    truth_ohm = specimen.wire_ohm + specimen.splice_ohm
    name, readings = simulated.bench.read_standard("meter", truth_ohm)
    assert name == METER
    assert len(readings) == 5
    assert readings == pytest.approx([truth_ohm] * 5, rel=0.02)


def test_the_empty_grips_of_the_tester_read_nearly_nothing(simulated: SimulatedBench) -> None:
    name, readings = simulated.bench.read_standard("tester", 0.0)
    assert "PULL TESTER" in name
    assert readings == pytest.approx([0.0] * 5, abs=0.5)


def test_a_pull_beside_the_samples_is_recorded_to_its_peak(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    simulated.hands.clip_on(workshop.joint("Heron", "red", "18 AWG"))
    begun: list[float] = []

    def pull_at_the_first_force(force_n: float) -> None:
        if not begun:
            simulated.hands.pull()
        begun.append(force_n)

    name, peak_n = simulated.bench.read_pull(pull_at_the_first_force)
    specimen = simulated.hands.specimen
    assert specimen is not None
    assert "PULL TESTER" in name
    assert peak_n == pytest.approx(specimen.break_force_n, rel=0.05)
    assert ledger.reader.counts().entries == 0
    assert not simulated.bench.busy


def test_what_is_entered_at_an_invented_bench_is_invented(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    simulated.bench.enter(CHECKED.model_copy(update={"passed": False}), "Benno")
    (entry,) = ledger.reader.entries(kind=InstrumentChecked.KIND)
    assert entry.payload.demo
    assert entry.person == "Benno"
    assert simulated.bench.board.state.attention


def test_no_standard_is_read_while_a_sample_is_under_way(simulated: SimulatedBench) -> None:
    bench = simulated.bench
    assert bench._busy.acquire(blocking=False)
    try:
        with pytest.raises(BadInput, match="under way"):
            bench.read_standard("meter", 1e-3)
        with pytest.raises(BadInput, match="under way"):
            bench.read_pull()
    finally:
        bench._busy.release()
