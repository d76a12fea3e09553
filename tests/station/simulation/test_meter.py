from itertools import count

import numpy as np
import pytest

from station.errors import BadInput
from station.instruments.framing import parse_number
from station.simulation.meter import SimulatedMeter


@pytest.fixture
def meter() -> SimulatedMeter:
    return SimulatedMeter(np.random.default_rng(1))


_seconds = count(0.0, 1.0)


def ask(meter: SimulatedMeter, *lines: str) -> bytes:
    """Say lines at the next full second, and return what is answered within it."""
    now_s = next(_seconds)
    for line in lines:
        meter.receive(line.encode(), now_s)
    return meter.due(now_s) + meter.due(now_s + 0.9)


def reading(meter: SimulatedMeter) -> float:
    return parse_number(ask(meter, "READ?"))


@pytest.mark.parametrize(
    "spelling",
    [
        "FRES:RANG?",
        "fres:rang?",
        ":FRESistance:RANGe?",
        "SENS:FRES:RANG:UPP?",
        "SENSe:FRESistance:RANGe:UPPer?",
    ],
)
def test_short_long_and_optional_words(meter: SimulatedMeter, spelling: str) -> None:
    # SCPI-1999 volume 1, chapter 6: short and long form, either case, optional nodes [memory].
    assert ask(meter, "FRES:RANG 0.5", spelling) == b"+1.00000000E+00\n"


@pytest.mark.parametrize("spelling", ["FRESI:RANG?", "FRES:RAN?", "FRES", "WHAT?"])
def test_other_words_are_undefined_headers(meter: SimulatedMeter, spelling: str) -> None:
    # SCPI-1999 volume 1, 21.8: -113, quoted in open parser libraries [seen-2].
    assert ask(meter, spelling) == b""
    assert ask(meter, "SYST:ERR?", "SYST:ERR?") == b'-113,"Undefined header"\n0,"No error"\n'


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("FRES:RANG 5000", b"-222"),
        ("FRES:NPLC 0", b"-222"),
        ("FRES:NPLC fast", b"-104"),
        ("FRES:OCOM MAYBE", b"-104"),
        ("FETC?", b"-230"),
    ],
)
def test_what_it_cannot_do_is_reported(meter: SimulatedMeter, command: str, code: bytes) -> None:
    assert ask(meter, command, "SYST:ERR?").startswith(code)


def test_a_full_queue_says_so_in_its_last_entry(meter: SimulatedMeter) -> None:
    # SCPI-1999 volume 1, 21.8: on overflow the last entry becomes -350 [seen-2].
    ask(meter, *["WHAT?"] * 60)
    reports = ask(meter, *["SYST:ERR?"] * 21).splitlines()
    assert reports[-2:] == [b'-350,"Queue overflow"', b'0,"No error"']


def test_status_bits(meter: SimulatedMeter) -> None:
    # IEEE 488.2-1992, 11.5.1: bit 7 power on, 5 command error, 4 execution error [seen-8].
    assert ask(meter, "*ESR?", "*ESR?") == b"128\n0\n"
    assert ask(meter, "WHAT?", "FRES:RANG 5000", "*ESR?") == b"48\n"
    assert ask(meter, "WHAT?", "*CLS", "*ESR?", "SYST:ERR?") == b'0\n0,"No error"\n'
    meter.handle({"power_cycle": True}, 0.0)
    assert ask(meter, "*ESR?") == b"128\n"


def test_configuring_puts_the_presets_back(meter: SimulatedMeter) -> None:
    ask(meter, "FRES:NPLC 1", "FRES:OCOM ON", "FRES:RANG 0.01", "CONF:FRES")
    answers = ask(meter, "FRES:NPLC?", "FRES:OCOM?", "FRES:RANG?")
    assert answers == b"+1.00000000E+01\n0\n+1.00000000E+03\n"


def test_a_reading_takes_its_time_and_holds_up_what_follows(meter: SimulatedMeter) -> None:
    ask(meter, "FRES:NPLC 5", "FRES:OCOM ON")
    now_s = next(_seconds)
    meter.receive(b"READ?", now_s)
    meter.receive(b"*OPC?", now_s)
    # 5 periods of 20 ms, four times over: 0.4 s.
    assert meter.due(now_s) == b""
    assert meter.next_due_s(now_s) == pytest.approx(now_s + 0.4)
    assert meter.due(now_s + 0.39) == b""
    assert meter.due(now_s + 0.41).endswith(b"E+37\n1\n")


def test_open_leads_read_the_sentinel(meter: SimulatedMeter) -> None:
    # SCPI-1999: 9.9E37 for infinity [seen-2].
    assert reading(meter) == 9.9e37
    meter.handle({"mount": {}}, 0.0)
    assert reading(meter) < 1
    meter.handle({"unmount": True}, 0.0)
    assert reading(meter) == 9.9e37


def test_beyond_its_range_it_reads_the_sentinel(meter: SimulatedMeter) -> None:
    ask(meter, "FRES:RANG 0.01")
    meter.handle({"mount": {"wire_ohm": 0.02}}, 0.0)
    assert reading(meter) == 9.9e37


def test_offset_compensation_takes_the_thermal_voltage_away(meter: SimulatedMeter) -> None:
    meter.handle({"mount": {"wire_ohm": 0.002, "splice_ohm": 0.0003}}, next(_seconds))
    errors = {}
    for state in ("OFF", "ON"):
        ask(meter, "FRES:RANG 0.01", "FRES:NPLC 1", f"FRES:OCOM {state}")
        errors[state] = abs(reading(meter) - 0.0023)
    assert errors["ON"] < 5e-7 < errors["OFF"]


def test_fetching_gives_the_last_reading_again(meter: SimulatedMeter) -> None:
    meter.handle({"mount": {}}, 0.0)
    first = ask(meter, "READ?")
    assert ask(meter, "FETC?") == first


@pytest.mark.parametrize("command", [{"pull": True}, {}, {"mount": {"wire_ohm": -1}}])
def test_what_hands_cannot_do(meter: SimulatedMeter, command: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        meter.handle(command, 0.0)
