"""The simulated panel settles as a real one does."""

import pytest

from station.instruments.panel.contacts import ContactChange, Lamp
from tests.worked_panel import WorkedPanel


class HandClock:
    """A monotonic clock that the test turns by hand."""

    now_s = 10.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def panel(clock: HandClock) -> WorkedPanel:
    return WorkedPanel(clock)


def changes(panel: WorkedPanel) -> list[ContactChange]:
    return [event.change for event in panel.poll()]


def test_footswitch_is_pressed_and_comes_up_by_itself(panel: WorkedPanel, clock: HandClock) -> None:
    panel.press_footswitch(held_s=0.2)
    assert changes(panel) == []
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.FOOTSWITCH_PRESSED]
    clock.now_s += 0.11
    assert changes(panel) == []
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.FOOTSWITCH_RELEASED]


def test_guard_opened_during_a_pull_voids_it(panel: WorkedPanel, clock: HandClock) -> None:
    began_s = clock.now_s
    assert panel.void_reason(began_s) is None
    clock.now_s += 1.0
    panel.open_guard()
    assert panel.guard_closed is False
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.GUARD_OPENED]
    panel.close_guard()
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.GUARD_CLOSED]
    assert panel.guard_closed is True
    assert panel.void_reason(began_s) is not None
    assert panel.void_reason(clock.now_s) is None


def test_outputs_are_remembered_and_marked_as_simulated(panel: WorkedPanel) -> None:
    panel.show(Lamp.ATTENTION)
    panel.set_current_reversed(True)
    line = panel.line()
    assert line.simulated
    assert line.present
    assert line.lamps == ("attention",)
    panel.close()
    assert panel.line().lamps == ()
