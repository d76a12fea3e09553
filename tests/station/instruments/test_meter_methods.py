"""Zero checks, currents turned round, and meters without an error queue."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from station.errors import BadInput, InstrumentRefused, NoReading
from station.instruments.dialects import Reversal
from station.instruments.meter import Meter
from station.instruments.port import LinePort
from station.instruments.profiles import MeterProfile, load_meter_profile
from station.simulation.launch import SimulatedInstrument
from tests.station.instruments.fakes import Responder, ScriptedMeter

PLAIN = load_meter_profile("meter-scpi-plain")


def with_relay(shows: str = "signed") -> MeterProfile:
    reversal = Reversal.model_validate({"by": "relay", "shows": shows, "settle_s": 0.0})
    dialect = PLAIN.dialect.model_copy(update={"reversal": reversal})
    return PLAIN.model_copy(update={"dialect": dialect})


@contextmanager
def scripted(profile: MeterProfile, script: ScriptedMeter) -> Iterator[LinePort]:
    with (
        Responder(script) as far,
        LinePort(far.path, profile.line, name="meter") as port,
    ):
        yield port


@pytest.mark.parametrize(
    ("shows", "second"), [("signed", b"-0.9946E-3\n"), ("magnitude", b"0.9946E-3\n")]
)
def test_a_relay_turns_the_current_round_and_back(shows: str, second: bytes) -> None:
    # 1 mohm at 1 A with 5 µV of thermal EMF that grows by 2 µV/s, a reading each 0.2 s: three
    # readings cancel a linear drift, (V1 - 2 V2 + V3) / 4 I [calc].
    turned: list[bool] = []
    script = ScriptedMeter()
    profile = with_relay(shows)
    with scripted(profile, script) as port:
        meter = Meter(port, profile, reverse=turned.append)
        meter.configure(0.005)
        script.readings = [b"1.0050E-3\n", second, b"1.0058E-3\n"]
        reading = meter.read_ohm()
        assert reading.value_ohm == pytest.approx(0.001, abs=1e-9)
        assert reading.thermal_cancelled == "delta"
        assert turned == [True, False]


def test_the_relay_falls_back_when_a_reading_fails() -> None:
    turned: list[bool] = []
    script = ScriptedMeter()
    profile = with_relay()
    with scripted(profile, script) as port:
        meter = Meter(port, profile, reverse=turned.append)
        meter.configure(0.005)
        script.readings = [b"1.0E-3\n", b"9.9E37\n"]
        with pytest.raises(NoReading):
            meter.read_ohm()
        assert turned == [True, False]


def test_a_profile_with_a_relay_needs_one() -> None:
    profile = with_relay()
    with (
        scripted(profile, ScriptedMeter()) as port,
        pytest.raises(BadInput, match="this bench has none"),
    ):
        Meter(port, profile).configure(0.005)


@pytest.mark.parametrize(
    ("events", "words"), [(b"32", "could not read"), (b"16", "could not do"), (b"4", "out of step")]
)
def test_without_an_error_queue_the_event_register_tells(events: bytes, words: str) -> None:
    # Event status register, bits 5, 4 and 2: IEEE 488.2-1992, 11.5.1, quoted in manuals [seen-8].
    dialect = PLAIN.dialect.model_copy(update={"error_query": None})
    profile = PLAIN.model_copy(update={"dialect": dialect})
    script = ScriptedMeter()
    registers = [b"0\n", events + b"\n"]

    def answer(line: bytes) -> bytes | None:
        return registers.pop(0) if line == b"*ESR?" and registers else script(line)

    with (
        Responder(answer) as far,
        LinePort(far.path, profile.line, name="meter") as port,
        pytest.raises(InstrumentRefused, match=words),
    ):
        Meter(port, profile).configure(0.005)


def test_thermal_voltage_is_cancelled_by_turning_the_current_round() -> None:
    profile = load_meter_profile("meter-scpi-reversal")
    with (
        SimulatedInstrument("meter", seed=5, profile="meter-scpi-reversal", paced=False) as far,
        LinePort(far.port, profile.line, name="meter") as port,
    ):
        meter = Meter(port, profile)
        meter.configure(0.005)
        far.command({"mount": {"wire_ohm": 0.001, "splice_ohm": 0.0}})
        # Microvolts at 1 A would be microohms: the noise of three readings is a tenth of one.
        assert meter.read_ohm().value_ohm == pytest.approx(0.001, abs=1e-6)
