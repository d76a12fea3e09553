"""An instrument that is kept connected: lost and found while nobody uses it."""

import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from station.errors import PortMissing
from station.instruments.framing import Identity
from station.instruments.link import InstrumentLink, LinkKeeper, back_off
from station.instruments.port import LinePort
from station.instruments.profiles import load_tester_profile
from station.instruments.pull_tester import PullTester
from station.simulation.launch import SimulatedInstrument

PROFILE = load_tester_profile("tester-stream-newton")
LONG_S = 30.0


class Changes:
    """Counts the keeper's words, so that a test can wait for a state instead of a time."""

    def __init__(self) -> None:
        self._said = threading.Condition()

    def __call__(self) -> None:
        with self._said:
            self._said.notify_all()

    def wait_until(self, keeper: LinkKeeper, trouble: str | None) -> None:
        """Wait for a trouble that holds these words, or for the instrument where None."""

        def reached() -> bool:
            found = keeper.link.trouble
            if trouble is None:
                return keeper.link.identity is not None and found is None
            return found is not None and trouble in found

        with self._said:
            assert self._said.wait_for(reached, LONG_S), keeper.link.trouble


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("pull_tester", link=tmp_path / "by-id") as instrument:
        yield instrument


@pytest.fixture
def changes() -> Changes:
    return Changes()


@pytest.fixture
def keeper(simulated: SimulatedInstrument, changes: Changes) -> Iterator[LinkKeeper]:
    def identify(port: LinePort) -> Identity:
        return PullTester(port, PROFILE).identify()

    port = LinePort(simulated.port, PROFILE.line, name="pull tester")
    link = InstrumentLink(port, identify, bound_serial="0001", pauses=partial(back_off, 0.01, 0.05))
    kept = LinkKeeper(link, changes)
    yield kept
    kept.close()


def test_connects_by_itself_and_again_after_an_idle_loss(
    simulated: SimulatedInstrument, keeper: LinkKeeper, changes: Changes
) -> None:
    keeper.start()
    changes.wait_until(keeper, None)
    simulated.command({"fault": "unplugged"})
    changes.wait_until(keeper, "")
    assert keeper.link.identity is None
    simulated.command({"plug": "0001"})
    changes.wait_until(keeper, None)


def test_another_serial_number_is_said_until_the_right_one_is_back(
    simulated: SimulatedInstrument,
    keeper: LinkKeeper,
    changes: Changes,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("station.instruments.link._PERSON_PAUSE_S", 0.05)
    keeper.start()
    changes.wait_until(keeper, None)
    simulated.command({"fault": "unplugged"})
    changes.wait_until(keeper, "")
    simulated.command({"plug": "0002"})
    changes.wait_until(keeper, "'0002', not '0001'")
    simulated.command({"fault": "unplugged"})
    simulated.command({"plug": "0001"})
    changes.wait_until(keeper, None)
    assert keeper.link.identity is not None
    assert keeper.link.identity.serial == "0001"


def test_a_user_is_told_at_once_and_the_search_waits_for_the_user(
    simulated: SimulatedInstrument, keeper: LinkKeeper, changes: Changes
) -> None:
    keeper.start()
    changes.wait_until(keeper, None)
    simulated.command({"fault": "unplugged"})
    changes.wait_until(keeper, "")
    with keeper.use() as link:
        with pytest.raises(PortMissing):
            link.connect()
        simulated.command({"plug": "0001"})
        assert link.connect().serial == "0001"
    changes.wait_until(keeper, None)


def test_closing_ends_the_thread_in_the_middle_of_a_search(
    simulated: SimulatedInstrument, keeper: LinkKeeper, changes: Changes
) -> None:
    before = threading.active_count()
    keeper.start()
    changes.wait_until(keeper, None)
    simulated.command({"fault": "unplugged"})
    changes.wait_until(keeper, "")
    keeper.close()
    assert threading.active_count() == before
    assert not keeper.link.port.is_open
