import itertools
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from station.errors import PortLost, PortMissing, WrongInstrument
from station.instruments.framing import Identity
from station.instruments.link import BackOff, InstrumentLink
from station.instruments.port import LinePort
from station.instruments.profiles import load_tester_profile
from station.instruments.pull_tester import PullTester
from station.simulation.launch import SimulatedInstrument

PROFILE = load_tester_profile("tester-stream-newton")
QUICK = BackOff(0.01, 0.05)


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("pull_tester", link=tmp_path / "by-id") as instrument:
        yield instrument


def identify(port: LinePort, serial: str | None) -> Identity:
    return PullTester(port, PROFILE).identify(serial)


@pytest.fixture
def link(simulated: SimulatedInstrument) -> Iterator[InstrumentLink]:
    port = LinePort(simulated.port, PROFILE.line, name="pull tester")
    connected = InstrumentLink(port, identify, bound_serial="0001", back_off=QUICK)
    yield connected
    connected.close()


def test_pauses_double_up_to_the_longest() -> None:
    # Common practice, no source: 0.5 s, doubling, at most 5 s.
    assert list(itertools.islice(BackOff().pauses(), 6)) == [0.5, 1, 2, 4, 5, 5]


def test_a_lost_instrument_is_found_again_and_asked_who_it_is(
    simulated: SimulatedInstrument, link: InstrumentLink
) -> None:
    assert link.connect().serial == "0001"
    simulated.command({"fault": "unplugged"})
    assert link.port.wait_lost(20)
    with pytest.raises(PortLost):
        link.port.send(b"ID?\n")
    found: list[Identity | None] = []
    give_up = threading.Event()
    waiting = threading.Thread(target=lambda: found.append(link.reconnect(give_up)))
    waiting.start()
    simulated.command({"plug": "0001"})
    waiting.join()
    assert found[0] is not None
    assert (found[0].serial, link.trouble, link.port.is_open) == ("0001", None, True)


def test_another_serial_number_is_refused(
    simulated: SimulatedInstrument, link: InstrumentLink
) -> None:
    link.connect()
    simulated.command({"fault": "unplugged"})
    simulated.command({"plug": "0002"})
    with pytest.raises(WrongInstrument, match="serial number '0002', not '0001'"):
        link.reconnect(threading.Event())
    assert (link.identity, link.port.is_open) == (None, False)
    assert "0002" in (link.trouble or "")


def test_trying_ends_when_it_is_given_up(
    simulated: SimulatedInstrument, link: InstrumentLink
) -> None:
    simulated.command({"fault": "unplugged"})
    with pytest.raises(PortMissing):
        link.connect()
    give_up = threading.Event()
    threading.Timer(0.2, give_up.set).start()
    assert link.reconnect(give_up) is None
    assert "plug in the adapter" in (link.trouble or "")
