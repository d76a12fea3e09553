"""Checks on the page that the bench reads itself, over simulated instruments."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.ledger.entries import InstrumentChecked
from station.ledger.store import Ledger
from station.settings import Settings
from station.simulation import workshop
from station.simulation.demo import SimulatedBench, demo_limit_sets, simulated_bench
from tests.pace import unpaced
from tests.web.visitor import Visitor
from web import create_app

METER = "CRIMP STATION,SIMULATED METER,0001,1"
TESTER = "CRIMP STATION,SIMULATED PULL TESTER,0001,1"
READ = {"person": "Benno", "how": "read", "readings": ""}


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


def test_the_bench_reads_both_instruments_for_their_checks(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    visitor = Visitor(create_app(simulated.bench, testing=True))
    zero = {"role": "tester", "kind": "zero", "instrument": TESTER, "limit": "0.5"}
    assert visitor.post("/instruments/check", **zero, **READ).status_code == 303
    wire = {
        "role": "meter", "kind": "wire", "standard": "W-18", "expected": "1.9", "limit": "0.18",
        "instrument": METER,
    }  # fmt: skip
    # Nothing is clipped on yet: the meter says so, and the form stays.
    answer = visitor.post("/instruments/check", **wire, **READ)
    assert answer.status_code == 503
    assert "check all four clips" in answer.text
    assert 'value="W-18"' in answer.text
    simulated.hands.clip_on(workshop.joint("Heron", "red", "18 AWG"))
    assert visitor.post("/instruments/check", **wire, **READ).status_code == 303
    specimen = simulated.hands.specimen
    assert specimen is not None
    found = [entry.payload for entry in ledger.reader.entries(kind=InstrumentChecked.KIND)]
    first, second = (payload for payload in found if isinstance(payload, InstrumentChecked))
    assert first.value == pytest.approx(0.0, abs=0.5)
    assert second.value == pytest.approx(specimen.wire_ohm + specimen.splice_ohm, rel=0.02)
    assert len(second.readings) == 5
