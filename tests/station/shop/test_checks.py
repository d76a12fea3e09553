"""A meter that drifts, over its serial line: caught by its check chart, and looked back on."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.bench.between import BetweenClips
from station.bench.sample_entry import (
    Results,
    finished_sample,
    instrument_used,
    judge,
    reduce_reading,
    resistance_result,
)
from station.bench.temperature import temperature_set
from station.crimp.facts import shipped_book
from station.errors import BadInput
from station.instruments.bay import InstrumentBay
from station.ledger.entries import InstrumentChecked, Joint, ResistanceResult, SampleBegun
from station.ledger.store import Ledger
from station.settings import FixtureSettings, InstrumentSettings, Settings
from station.shop.checks import CheckDefinition, checks_by_role, judged_check
from station.shop.look_back import look_back
from station.simulation import workshop
from station.simulation.launch import SimulatedInstrument

FIXTURE = FixtureSettings()
CHECK_OHM = 2e-3
LIMIT_OHM = 5 * CHECK_OHM
"""So wide that only the chart can catch the drift."""
JOINT: Joint = workshop.joint("Heron", "red", "18 AWG")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "station.ledger") as opened:
        yield opened


@pytest.fixture
def simulated() -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("meter", seed=4, paced=False) as instrument:
        yield instrument


@pytest.fixture
def bay(simulated: SimulatedInstrument, monkeypatch: pytest.MonkeyPatch) -> Iterator[InstrumentBay]:
    # The simulated drift is 2 % a reading, which settling alone would refuse: let it through.
    monkeypatch.setattr("station.instruments.bay.SETTLE_FRACTION", 0.1)
    settings = InstrumentSettings(port=simulated.port, profile="meter-scpi-plain", simulated=True)
    opened = InstrumentBay(Settings(meter=settings))
    yield opened
    opened.close()


class Shop:
    """Checks and measures samples on one meter, and keeps the record of both."""

    def __init__(self, ledger: Ledger, bay: InstrumentBay, simulated: SimulatedInstrument) -> None:
        self._ledger = ledger
        self._bay = bay
        self._simulated = simulated
        self.reason: str | None = None

    def check(self) -> bool:
        """Clip the check resistor on; True if it passed."""
        self._simulated.command({"mount": {"splice_ohm": CHECK_OHM, "wire_ohm": 0.0}})
        readings = self._bay.meter(5e-3).read_repeats(3)
        name = self._bay.line("meter").known_as
        asked = CheckDefinition("meter", name, "resistor", "R-1", CHECK_OHM, LIMIT_OHM)
        payload = judged_check(self._ledger.reader, asked, readings)
        self._ledger.append(payload, person="Benno")
        self.reason = payload.reason
        return payload.passed

    def sample(self) -> str:
        """Measure a sample; its id."""
        begun = SampleBegun(job="daily_check", joint=JOINT, limit_set=workshop.LIMIT_SET)
        sample_id: str = self._ledger.append(begun, person="Benno").id
        self._simulated.command({"mount": {"splice_ohm": 3e-4, "wire_ohm": 1.676e-3}})
        meter = self._bay.meter(5e-3)
        results = Results(resistance=self._reading(meter.read_repeats(3)))
        finished = finished_sample(
            sample_id, begun, results, judge((), results, 1.645), guard=1.645
        )
        self._ledger.append(finished, person="Benno")
        return sample_id

    def _reading(self, repeats: list[float]) -> ResistanceResult:
        between = BetweenClips.of(shipped_book(), JOINT, FIXTURE, temperature_set(FIXTURE))
        reduced = reduce_reading(repeats, self._bay.meter(5e-3).worth, JOINT, between)
        return resistance_result(
            repeats, reduced, between, instrument_used(self._bay.line("meter"))
        )


def test_a_drifting_meter_is_caught_by_its_chart_and_its_samples_listed(
    ledger: Ledger, bay: InstrumentBay, simulated: SimulatedInstrument
) -> None:
    shop = Shop(ledger, bay, simulated)
    for _ in range(12):
        shop.sample()
        assert shop.check()
    simulated.command({"fault": "drift"})
    spoilt = [shop.sample(), shop.sample()]
    assert not shop.check()
    assert "outside of what this check was before" in (shop.reason or "")
    meter = bay.line("meter").known_as
    found = look_back(ledger.reader, instrument=meter)
    assert [row.sample_id for row in found.samples] == spoilt
    later = shop.sample()
    assert [row.sample_id for row in look_back(ledger.reader, instrument=meter).samples] == [
        *spoilt, later
    ]  # fmt: skip


def test_without_a_good_check_everything_is_listed(
    ledger: Ledger, bay: InstrumentBay, simulated: SimulatedInstrument
) -> None:
    shop = Shop(ledger, bay, simulated)
    first = shop.sample()
    found = look_back(ledger.reader, instrument=bay.line("meter").known_as)
    assert found.why.startswith("since the beginning")
    assert [row.sample_id for row in found.samples] == [first]


def test_both_or_neither_is_refused(ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="either"):
        look_back(ledger.reader)
    with pytest.raises(BadInput, match="either"):
        look_back(ledger.reader, instrument="m", tool="t")


def test_a_zero_that_passed_is_no_check_against_a_standard(ledger: Ledger) -> None:
    for at, kind, passed, last in (
        (1, "zero", True, None), (2, "resistor", True, True), (3, "zero", True, True),
        (4, "zero", False, False),
    ):  # fmt: skip
        standard, value = ("", 0.0) if kind == "zero" else ("R-1", CHECK_OHM)
        ledger.append(
            InstrumentChecked(
                role="meter", instrument="M", check=kind, standard=standard, expected=value,
                limit=1e-4, readings=(value,), value=value, chart_lower=-1.0, chart_upper=1.0,
                passed=passed,
            ),
            person="Benno",
        )  # fmt: skip
        found = checks_by_role(ledger.reader).get("meter")
        assert (None if found is None else found.passed) == last, at
