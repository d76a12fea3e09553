import itertools
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from station.errors import PortLost, PortMissing, WrongInstrument
from station.instruments.framing import Identity
from station.instruments.link import InstrumentLink, back_off
from station.instruments.port import LinePort
from station.instruments.profiles import load_tester_profile
from station.instruments.pull_tester import PullTester
from station.simulation.launch import SimulatedInstrument

PROFILE = load_tester_profile("tester-stream-newton")
QUICK = partial(back_off, 0.01, 0.05)


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("pull_tester", link=tmp_path / "by-id") as instrument:
        yield instrument


def identify(port: LinePort) -> Identity:
    return PullTester(port, PROFILE).identify()


@pytest.fixture
def link(simulated: SimulatedInstrument) -> Iterator[InstrumentLink]:
    port = LinePort(simulated.port, PROFILE.line, name="pull tester")
    connected = InstrumentLink(port, identify, bound_serial="0001", pauses=QUICK)
    yield connected
    connected.close()


def test_pauses_double_up_to_the_longest() -> None:
    # Common practice, no source: 0.5 s, doubling, at most 5 s.
    assert list(itertools.islice(back_off(), 6)) == [0.5, 1, 2, 4, 5, 5]


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


def test_one_that_cannot_say_who_it_is_is_not_the_bound_one(
    simulated: SimulatedInstrument,
) -> None:
    port = LinePort(simulated.port, PROFILE.line, name="pull tester")
    link = InstrumentLink(port, lambda _port: Identity(""), bound_serial="17")
    with pytest.raises(WrongInstrument, match="serial number '', not '17'"):
        link.connect()
    assert (link.identity, port.is_open) == (None, False)


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
