"""The panel over gpiozero's own mock pins, which speak the world's side: pins driven high and low.

No GPIO and no Raspberry Pi was at hand: what a real pin library does beyond its mock (its thread,
its pulls, who may hold a line) is told in the notes as untried. Mock pins run callbacks in the
calling thread and let errors out of them, which is the harder case.
"""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory, MockPin
from pydantic import ValidationError

from station.errors import PanelError, PanelMissing
from station.instruments.panel.contacts import ContactChange, Lamp
from station.instruments.panel.gpio import Panel, open_panel
from station.settings import PanelPins

ROOT = Path(__file__).parents[4]
PINS = PanelPins(current_reversal_relay=27)
OUTPUTS = ("lamp_ready", "lamp_pass", "lamp_fail", "lamp_attention", "buzzer")


class HeldDown(MockPin):  # type: ignore[misc]
    """A contact to ground that is closed from the start, against the pull-up."""

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        self._change_state(False)


class HandClock:
    """A monotonic clock that the test turns by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.broken = False

    def __call__(self) -> float:
        if self.broken:
            raise RuntimeError("no time")
        return self.now_s


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before, factory = gpiozero.Device.pin_factory, MockFactory()
    gpiozero.Device.pin_factory = factory
    yield factory
    factory.reset()
    gpiozero.Device.pin_factory = before


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def foot(pins: MockFactory) -> Any:
    return pins.pin(PINS.footswitch)


@pytest.fixture
def guard(pins: MockFactory) -> Any:
    """The guard's pin, its contact closed to ground."""
    return pins.pin(PINS.guard)


@pytest.fixture
def panel(pins: MockFactory, guard: Any, clock: HandClock) -> Iterator[Panel]:
    with Panel(PINS, allow_mock=True, clock=clock) as opened:
        guard.drive_low()
        clock.now_s += 1.0
        opened.poll()
        clock.now_s += 1.0
        opened.poll()
        yield opened


def changes(panel: Panel) -> list[ContactChange]:
    return [event.change for event in panel.poll()]


def test_footswitch_press_and_release(panel: Panel, foot: Any, clock: HandClock) -> None:
    foot.drive_low()
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.FOOTSWITCH_PRESSED]
    foot.drive_high()
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.FOOTSWITCH_RELEASED]


def test_bounce_is_one_press(panel: Panel, foot: Any, clock: HandClock) -> None:
    """The mock stores a bounce time and does not act on it: what is seen here is our own."""
    for _ in range(5):
        foot.drive_low()
        clock.now_s += 0.001
        foot.drive_high()
        clock.now_s += 0.001
    foot.drive_low()
    clock.now_s += 0.03
    assert changes(panel) == [ContactChange.FOOTSWITCH_PRESSED]
    assert foot.bounce is None


def test_footswitch_held_at_start_needs_release(pins: MockFactory, clock: HandClock) -> None:
    foot = pins.pin(PINS.footswitch, pin_class=HeldDown)
    with Panel(PINS, allow_mock=True, clock=clock) as panel:
        assert changes(panel) == [ContactChange.FOOTSWITCH_STUCK]
        assert panel.line().footswitch == "stuck"
        assert "stuck" in (panel.line().trouble or "")
        clock.now_s += 5.0
        assert changes(panel) == []
        foot.drive_high()
        clock.now_s += 0.1
        assert changes(panel) == [ContactChange.FOOTSWITCH_RELEASED]
        foot.drive_low()
        clock.now_s += 0.1
        assert changes(panel) == [ContactChange.FOOTSWITCH_PRESSED]


def test_guard_blink_between_two_polls_voids(panel: Panel, guard: Any, clock: HandClock) -> None:
    began_s = clock.now_s
    assert panel.void_reason(began_s) is None
    clock.now_s += 0.5
    guard.drive_high()
    clock.now_s += 0.001
    guard.drive_low()
    clock.now_s += 0.5
    assert "guard was open" in (panel.void_reason(began_s) or "")
    assert ContactChange.GUARD_OPENED in changes(panel)
    clock.now_s += 0.5
    assert panel.guard_closed
    assert panel.void_reason(clock.now_s) is None


def test_level_is_polled_where_an_edge_was_lost(panel: Panel, guard: Any, clock: HandClock) -> None:
    guard.when_changed = None
    guard.drive_high()
    assert changes(panel) == [ContactChange.GUARD_OPENED]
    assert panel.guard_closed is False


def test_broken_guard_wire_reads_open(pins: MockFactory, clock: HandClock) -> None:
    """Nothing pulls the pin down: its pull-up makes it read as an open guard."""
    with Panel(PINS, allow_mock=True, clock=clock) as panel:
        clock.now_s += 10.0
        assert panel.guard_closed is False
        assert panel.line().guard == "open"
        assert pins.pin(PINS.guard).pull == "up"


def test_raising_callback_is_reported_and_nothing_dies(
    panel: Panel, foot: Any, guard: Any, clock: HandClock
) -> None:
    began_s = clock.now_s
    clock.broken = True
    foot.drive_low()
    clock.broken = False
    clock.now_s += 0.1
    changes(panel)
    assert "RuntimeError('no time')" in (panel.line().trouble or "")
    assert panel.watching
    assert "could not be watched" in (panel.void_reason(began_s) or "")
    clock.now_s += 0.1
    assert changes(panel) == [ContactChange.FOOTSWITCH_PRESSED], "the next poll made the edge good"
    assert panel.void_reason(clock.now_s) is None
    guard.drive_high()
    assert changes(panel) == [ContactChange.GUARD_OPENED]


def test_level_that_cannot_be_read_is_reported(
    panel: Panel, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_pin: object) -> bool:
        raise OSError("line gone")

    began_s = clock.now_s
    monkeypatch.setattr("gpiozero.pins.mock.MockPin._get_state", fails)
    assert changes(panel) == []
    assert "guard could not be read" in (panel.line().trouble or "")
    assert "could not be watched" in (panel.void_reason(began_s) or "")


def test_dead_event_thread_is_noticed(
    panel: Panel, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in for lgpio, whose thread dies of an error in any callback."""
    ended = threading.Thread(target=int)
    ended.start()
    ended.join()
    monkeypatch.setitem(sys.modules, "lgpio", SimpleNamespace(_notify_thread=ended))
    assert panel.watching, "mock pins do not need that thread"
    panel.simulated = False
    assert not panel.watching
    assert "restart" in (panel.line().trouble or "")
    assert "could not be watched" in (panel.void_reason(clock.now_s) or "")


def test_event_thread_under_another_name_is_no_trouble(
    panel: Panel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", SimpleNamespace())
    panel.simulated = False
    assert panel.watching


def test_lamps_buzzer_and_relay(panel: Panel, pins: MockFactory, clock: HandClock) -> None:
    panel.show(Lamp.READY, Lamp.PASS)
    assert panel.line().lamps == ("ready", "pass")
    assert [pins.pin(PINS.wired()[name]).state for name in OUTPUTS] == [1, 1, 0, 0, 0]
    panel.show(Lamp.FAIL)
    panel.beep(0.2)
    panel.set_current_reversed(True)
    assert [pins.pin(PINS.wired()[name]).state for name in OUTPUTS] == [0, 0, 1, 0, 1]
    assert pins.pin(27).state
    clock.now_s += 0.3
    panel.poll()
    assert not pins.pin(PINS.buzzer).state


def test_close_switches_everything_off_and_may_be_repeated(panel: Panel, pins: MockFactory) -> None:
    panel.show(*Lamp)
    panel.beep()
    panel.set_current_reversed(True)
    panel.close()
    panel.close()
    wired = [pins.pin(PINS.wired()[name]) for name in (*OUTPUTS, "current_reversal_relay")]
    assert [pin.state for pin in wired] == [False] * 6
    assert [pin.function for pin in wired] == ["input"] * 6
    assert panel.poll() == []
    assert not panel.watching
    panel.show(Lamp.READY)
    with pytest.raises(PanelError, match="no current-reversal relay"):
        panel.set_current_reversed(False)
    Panel(PINS, allow_mock=True).close()


def test_lamp_that_fails_is_reported_and_the_relay_refuses(
    panel: Panel, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_pin: object, _value: object) -> None:
        raise OSError("line gone")

    monkeypatch.setattr("gpiozero.pins.mock.MockPin._set_state", fails)
    panel.show(Lamp.PASS)
    assert panel.line().lamps == ()
    assert "could not be switched" in (panel.line().trouble or "")
    with pytest.raises(PanelError, match="take the reading again"):
        panel.set_current_reversed(True)


def test_mock_pins_are_refused_unless_allowed(pins: MockFactory) -> None:
    with pytest.raises(PanelError, match="mock") as caught:
        open_panel(PINS)
    assert not isinstance(caught.value, PanelMissing)
    with open_panel(PINS, allow_mock=True) as panel:
        assert panel.simulated
        assert panel.line().simulated


def test_pin_in_use_names_pin_and_use_and_frees_the_others(pins: MockFactory) -> None:
    other = gpiozero.LED(PINS.lamp_fail)
    with pytest.raises(PanelError, match=r"GPIO23 for the panel's lamp fail .*name another pin"):
        Panel(PINS, allow_mock=True)
    other.close()
    Panel(PINS, allow_mock=True).close()


def test_computer_without_gpio_gets_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pin library is made unimportable, so that this holds on a Raspberry Pi too."""
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    panel = open_panel(PINS)
    trouble = panel.line().trouble or ""
    assert trouble.startswith("No panel:")
    assert "\n" not in trouble
    assert not panel.present
    assert panel.poll() == []
    assert panel.guard_closed is None
    assert panel.void_reason(0.0) is None
    panel.show(Lamp.READY)
    panel.beep()
    panel.close()


def test_pin_factory_that_does_not_exist_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nothing-of-the-kind")
    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    assert "nothing-of-the-kind" in (open_panel(PINS).line().trouble or "")


def test_panel_that_is_not_set_up_says_so() -> None:
    assert "No panel is set up" in (open_panel(None).line().trouble or "")


def test_one_pin_for_two_uses_is_refused() -> None:
    with pytest.raises(ValidationError, match="GPIO6 is given to footswitch and to guard"):
        PanelPins(footswitch=6)


def test_outputs_stay_off_pins_that_are_pulled_up_at_power_on() -> None:
    """BCM2835 to BCM2711 pull GPIO0 to 8 up at power-on, as texts on the chips say [seen-2]."""
    with pytest.raises(ValidationError):
        PanelPins(lamp_ready=4)
    assert all(PINS.wired()[name] >= 9 for name in OUTPUTS)


def test_unwired_parts_are_left_out(pins: MockFactory) -> None:
    only_lamp = PanelPins(
        footswitch=None,
        guard=None,
        lamp_pass=None,
        lamp_fail=None,
        lamp_attention=None,
        buzzer=None,
    )
    with Panel(only_lamp, allow_mock=True) as panel:
        panel.show(*Lamp)
        panel.beep()
        assert panel.line().lamps == ("ready",)
        assert panel.line().guard == "not watched"
        assert panel.void_reason(0.0) is None


SERVED = """
import sys
from station.cli.serving import ended_by_sigterm
from station.instruments.panel.gpio import open_panel
from station.instruments.panel.contacts import Lamp
from station.settings import PanelPins
import gpiozero, signal

pins = PanelPins(current_reversal_relay=27)
outputs = [gpio for name, gpio in pins.wired().items() if name not in ("footswitch", "guard")]
def states():
    return [int(gpiozero.Device.pin_factory.pin(gpio).state) for gpio in outputs]
try:
    with ended_by_sigterm(), open_panel(pins, allow_mock=True) as panel:
        panel.show(*Lamp)
        panel.beep(60.0)
        panel.set_current_reversed(True)
        print(states(), flush=True)
        signal.pause()
finally:
    print(states(), flush=True)
"""


def test_sigterm_switches_all_outputs_off() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", SERVED],
        cwd=ROOT,
        env={**os.environ, "GPIOZERO_PIN_FACTORY": "mock"},
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "[1, 1, 1, 1, 1, 1]\n"
        child.send_signal(signal.SIGTERM)
        assert child.stdout.readline() == "[0, 0, 0, 0, 0, 0]\n"
        assert child.wait(timeout=30) == 0


def test_command_line_starts_without_gpiozero() -> None:
    code = (
        "import station.cli.main, station.instruments.panel, sys; print('gpiozero' in sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert ran.stdout == "False\n"
