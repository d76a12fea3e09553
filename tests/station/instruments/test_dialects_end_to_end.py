"""Each shipped profile against the simulator that speaks its dialect, over a pseudo-terminal."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from station.errors import InstrumentError, InstrumentGarbled, NoReading
from station.instruments.force_lines import ForceSample
from station.instruments.meter import Meter
from station.instruments.port import LinePort
from station.instruments.profiles import (
    MeterProfile,
    PullTesterProfile,
    load_meter_profile,
    load_profile,
    load_tester_profile,
    profile_names,
)
from station.instruments.pull_tester import ForceTrace, PullTester
from station.instruments.recording import PullLimits
from station.simulation.launch import SimulatedInstrument
from station.simulation.voices import METER_VOICES, TESTER_VOICES

METERS = [name for name in profile_names() if isinstance(load_profile(name), MeterProfile)]
TESTERS = [name for name in profile_names() if isinstance(load_profile(name), PullTesterProfile)]
# Noise of 0.05 N and a last digit of 0.1 N, or of the unit: a tenth of a pound-force is 0.44 N.
# Who polls sees fewer samples than there are, and may miss the top.
PEAK_TOLERANCE_N = 1.0
POLLED_TOLERANCE_N = 10.0


def patient(profile: PullTesterProfile) -> PullTesterProfile:
    # Unpaced, a simulated second is a twentieth of one; a poller would still see 20 a second.
    if profile.dialect.poll is not None:
        sampling = profile.sampling.model_copy(update={"sample_rate_hz": 400.0})
        profile = profile.model_copy(update={"sampling": sampling})
    return profile.waiting(60.0)


@contextmanager
def simulated_meter(name: str) -> Iterator[tuple[SimulatedInstrument, Meter]]:
    profile = load_meter_profile(name)
    with (
        SimulatedInstrument("meter", seed=3, profile=name, paced=False) as instrument,
        LinePort(instrument.port, profile.line, name="meter") as port,
    ):
        yield instrument, Meter(port, profile)


def test_each_profile_has_a_voice_and_the_newcomers_has_none() -> None:
    assert set(METERS) == set(METER_VOICES)
    assert set(TESTERS) | {"unlisted"} == set(TESTER_VOICES)


@pytest.mark.parametrize("name", METERS)
def test_a_meter_reads_open_leads_and_then_the_joint(name: str) -> None:
    with simulated_meter(name) as (instrument, meter):
        assert meter.identify().model == "SIMULATED METER"
        assert meter.configure(0.005) == 0.01
        with pytest.raises(NoReading):
            meter.read_ohm()
        instrument.command({"mount": {"wire_ohm": 0.002, "splice_ohm": 0.0003}})
        readings = meter.read_settled(3, 0.001, 2e-6, 40)
        # 2.3 mohm at 20 °C; half a count of 0.1 µohm noise, and what thermal EMF is left.
        assert readings[-1].value_ohm == pytest.approx(0.0023, abs=3e-6)
        assert readings[-1].thermal_cancelled != "no"
        meter.finish()


def test_a_deaf_meter_that_lost_its_power_is_woken_and_configured_again() -> None:
    with simulated_meter("meter-scpi-remote") as (instrument, meter):
        meter.configure(0.005)
        instrument.command({"mount": {}})
        instrument.command({"power_cycle": True})
        assert meter.read_settled(2, 0.001, 1e-6, 9)[0].value_ohm == pytest.approx(0.0022, abs=2e-6)


@pytest.mark.parametrize("name", METERS)
def test_no_sentinel_of_a_meter_becomes_a_number(name: str) -> None:
    with simulated_meter(name) as (instrument, meter):
        meter.configure(0.005)
        instrument.command({"mount": {}})
        instrument.command({"fault": "sentinel"})
        for _ in range(6):
            # Blanks before a unit cannot be told from a unit in place of a number.
            with pytest.raises((NoReading, InstrumentGarbled)):
                meter.read_ohm()


@pytest.mark.parametrize("name", ["meter-trigger-fetch", "meter-scpi-reversal"])
def test_a_stale_reading_is_refused(name: str) -> None:
    with simulated_meter(name) as (instrument, meter):
        meter.configure(0.005)
        instrument.command({"mount": {}})
        assert meter.read_ohm().value_ohm == pytest.approx(0.0022, abs=1e-5)
        instrument.command({"fault": "stuck"})
        with pytest.raises(InstrumentGarbled, match=r"came again|no new reading"):
            meter.read_ohm()
        instrument.command({"fault": "none"})
        assert meter.read_ohm().value_ohm == pytest.approx(0.0022, abs=1e-5)


@pytest.mark.parametrize("name", ["meter-trigger-fetch", "meter-scpi-headers"])
def test_a_meter_in_another_unit_is_refused(name: str) -> None:
    with simulated_meter(name) as (instrument, meter):
        meter.configure(0.005)
        instrument.command({"mount": {}})
        instrument.command({"fault": "wrong_unit"})
        with pytest.raises(InstrumentGarbled, match="names the unit"):
            meter.read_ohm()


def test_a_drifting_meter_never_settles() -> None:
    with simulated_meter("meter-scpi-plain") as (instrument, meter):
        meter.configure(0.005)
        instrument.command({"mount": {}})
        instrument.command({"fault": "drift"})
        with pytest.raises(InstrumentGarbled, match="unstable"):
            meter.read_settled(3, 0.001, 1e-6, 10)


@contextmanager
def simulated_tester(name: str) -> Iterator[tuple[SimulatedInstrument, PullTester]]:
    profile = patient(load_tester_profile(name))
    with (
        SimulatedInstrument("pull_tester", seed=3, profile=name, paced=False) as instrument,
        LinePort(instrument.port, profile.line, name="tester") as port,
    ):
        yield instrument, PullTester(port, profile)


def pull(instrument: SimulatedInstrument, tester: PullTester, *, fault: str = "none") -> ForceTrace:
    begun = threading.Event()

    def hands(_: ForceSample) -> None:
        if not begun.is_set():
            begun.set()
            instrument.command({"fault": fault})
            instrument.command({"mount": {"break_force_n": 120.0}})
            instrument.command({"pull": True})

    return tester.record(hands, threading.Event(), PullLimits(2.0, 0.5, 0.02, 60.0))


@pytest.mark.parametrize("name", TESTERS)
def test_a_pull_finds_the_force_it_broke_at(name: str) -> None:
    with simulated_tester(name) as (instrument, tester):
        if tester.identify().raw:
            assert tester.identify().serial == "0001"
        trace = pull(instrument, tester)
        assert trace.ended_by == "force fell"
        polled = trace.time_from == "polls"
        tolerance_n = POLLED_TOLERANCE_N if polled else PEAK_TOLERANCE_N
        assert trace.force_n.max() == pytest.approx(120.0, abs=tolerance_n)
        assert trace.unit_assumed == (load_tester_profile(name).dialect.assumed_unit is not None)
        if trace.register_peak_n is not None:
            assert trace.register_peak_n == pytest.approx(120.0, abs=PEAK_TOLERANCE_N)


@pytest.mark.parametrize(
    ("name", "clock"),
    [
        ("tester-line-protocol", "device"),
        ("tester-poll-character", "polls"),
        ("tester-stream-newton", "counter"),
        ("tester-stream-bare", "arrival"),
    ],
)
def test_the_time_axis_is_the_best_that_there_is(name: str, clock: str) -> None:
    with simulated_tester(name) as (instrument, tester):
        assert pull(instrument, tester).time_from == clock


@pytest.mark.parametrize("name", TESTERS)
def test_no_sentinel_of_a_tester_becomes_a_force(name: str) -> None:
    with (
        simulated_tester(name) as (instrument, tester),
        pytest.raises(InstrumentGarbled, match=r"profile cannot read|says '\?' with its force"),
    ):
        pull(instrument, tester, fault="sentinel")


@pytest.mark.parametrize(
    "name", [name for name in TESTERS if not load_tester_profile(name).dialect.assumed_unit]
)
def test_another_unit_in_mid_run_voids_the_pull(name: str) -> None:
    with (
        simulated_tester(name) as (instrument, tester),
        pytest.raises(InstrumentGarbled, match="unit"),
    ):
        pull(instrument, tester, fault="wrong_unit")


@pytest.mark.parametrize("name", TESTERS)
def test_lines_that_come_in_pieces_are_the_same_lines(name: str) -> None:
    with simulated_tester(name) as (instrument, tester):
        instrument.command({"fault": "split"})
        for _ in range(20):
            assert abs(tester.check_alive().force_n or 0.0) < 1.0


def test_late_answers_never_shift_the_readings() -> None:
    profile = load_meter_profile("meter-scpi-plain")
    line = profile.line.model_copy(update={"settle_s": 2.1})
    measuring = profile.measuring.model_copy(update={"answer_timeout_s": 0.2})
    with (
        SimulatedInstrument("meter", seed=3, paced=False) as instrument,
        LinePort(instrument.port, line, name="meter") as port,
    ):
        meter = Meter(port, profile.model_copy(update={"line": line, "measuring": measuring}))
        meter.configure(0.02)
        instrument.command({"mount": {"wire_ohm": 0.001}})
        instrument.command({"fault": "late"})
        with pytest.raises(InstrumentError):
            meter.read_ohm()
        instrument.command({"fault": "none"})
        instrument.command({"mount": {"wire_ohm": 0.005}})
        assert meter.read_ohm().value_ohm == pytest.approx(0.0052, abs=2e-5)
