"""The panel: footswitch, guard, lamps, buzzer, relay. The only place that touches gpiozero.

gpiozero is imported when a panel is opened, so that the command line starts without it. Callbacks
only put what they saw into a queue; levels are polled as well; both are judged by
:mod:`station.instruments.panel.contacts`.

The guard input is for information and for voiding tests. It is not a safety function: guard and
emergency stop must remove motor power without this computer. Nothing here starts a motor.
"""

import os
import sys
import time
from collections.abc import Callable
from functools import partial
from queue import SimpleQueue
from typing import Any

from calibration.saying import say
from station.errors import PanelError, PanelMissing
from station.instruments.panel.base import OUTPUTS, BasePanel, Clock, NoPanel, spoken
from station.instruments.panel.contacts import Contact, PanelContacts, Seen
from station.settings import PanelPins


class Panel(BasePanel):
    """The panel on the GPIO pins of this computer.

    Parameters
    ----------
    pins
        What is wired where.
    allow_mock
        Take gpiozero's mock pins where they are set; the panel then counts as simulated.

    Raises
    ------
    PanelMissing
        This computer has no GPIO pins that can be used.
    PanelError
        A pin is taken, or mock pins are set and not allowed.
    """

    def __init__(
        self, pins: PanelPins, *, allow_mock: bool = False, clock: Clock = time.monotonic
    ) -> None:
        factory, self.simulated = _pin_factory(allow_mock)
        self._clock = clock  # callbacks may come before all else is there
        self._queue: SimpleQueue[Seen] = SimpleQueue()
        self._missed: str | None = None
        self._inputs: dict[Contact, Any] = {}
        self._outputs: dict[str, Any] = {}
        try:
            self._claim(pins.wired(), factory)
            for contact, device in self._inputs.items():
                device.when_activated = partial(self._note, contact, True)
                device.when_deactivated = partial(self._note, contact, False)
            levels = {contact: bool(d.is_active) for contact, d in self._inputs.items()}
        except BaseException:
            self._release()
            raise
        super().__init__(PanelContacts(clock(), levels), clock)

    def _claim(self, wired: dict[str, int], factory: Any) -> None:
        from gpiozero import DigitalInputDevice, DigitalOutputDevice

        # Debounce is ours: what gpiozero's own means differs between pin libraries.
        with_pull = partial(DigitalInputDevice, pull_up=True, bounce_time=None)
        for contact in Contact:
            if contact in wired:
                self._inputs[contact] = _claimed(with_pull, contact, wired[contact], factory)
        for name in OUTPUTS:
            if name in wired:
                self._outputs[name] = _claimed(DigitalOutputDevice, name, wired[name], factory)

    def _note(self, contact: Contact, closed: bool) -> None:
        # Runs in the pin library's thread, which dies of any error that gets out.
        try:
            self._queue.put(Seen(self._clock(), contact, closed))
        except Exception as error:
            self._missed = say(
                "A change of the {contact} was missed ({error!r}).",
                contact=say(contact.value),
                error=error,
            )

    def _gather(self, now_s: float) -> list[Seen]:
        found: list[Seen] = []
        for contact, device in self._inputs.items():
            try:
                found.append(Seen(now_s, contact, bool(device.is_active)))
            except Exception as error:
                self._blind(
                    now_s,
                    say(
                        "The {contact} could not be read ({error!r}).",
                        contact=say(contact.value),
                        error=error,
                    ),
                )
        while not self._queue.empty():
            found.append(self._queue.get())
        missed, self._missed = self._missed, None
        if missed is not None:
            self._blind(now_s, missed)
        return found

    def _has(self, output: str) -> bool:
        return output in self._outputs

    def _write(self, output: str, on: bool) -> None:
        self._outputs[output].value = on

    def _edges_delivered(self) -> bool:
        # lgpio's thread is private and dies silently of an error in a callback.
        thread = getattr(sys.modules.get("lgpio"), "_notify_thread", None)
        alive = getattr(thread, "is_alive", None)
        return alive is None or self.simulated or bool(alive())

    def _release(self) -> None:
        for device in (*self._outputs.values(), *self._inputs.values()):
            try:
                device.close()
            except Exception as error:
                self._last_error = say(
                    "A pin of the panel could not be released ({error!r}).", error=error
                )


def open_panel(
    pins: PanelPins | None, *, allow_mock: bool = False, clock: Clock = time.monotonic
) -> BasePanel:
    """Open the panel, or say in one sentence why there is none.

    Raises
    ------
    PanelError
        A pin is taken, or mock pins are set and not allowed.
    """
    if pins is None:
        return NoPanel(say("No panel is set up: footswitch, guard and lamps are not used."))
    try:
        return Panel(pins, allow_mock=allow_mock, clock=clock)
    except PanelMissing as missing:
        return NoPanel(str(missing))


def _claimed(device: Callable[..., Any], name: str, gpio: int, factory: Any) -> Any:
    try:
        return device(gpio, pin_factory=factory)
    except Exception as error:
        raise PanelError(
            f"GPIO{gpio} for the panel's {spoken(name)} cannot be used ({error}): end the program "
            "that has it, or name another pin in the settings."
        ) from error


def _pin_factory(allow_mock: bool) -> tuple[Any, bool]:
    """Return the pins to use and whether they are mock ones."""
    try:
        import gpiozero
        from gpiozero.pins.mock import MockFactory

        factory = gpiozero.Device.pin_factory or _new_factory(gpiozero)
    except Exception as error:
        raise PanelMissing(
            "No panel: this computer's GPIO pins cannot be used ({error}). On a laptop "
            "that is as it should be; on a Raspberry Pi see "
            "firmware_notes/raspberry_pi.md.",
            error=" ".join(str(error).split()) or type(error).__name__,
        ) from error
    mock = isinstance(factory, MockFactory)
    if mock and not allow_mock:
        raise PanelError(
            "The GPIO pins are mock ones (GPIOZERO_PIN_FACTORY=mock), which would show a guard "
            "that nobody watches: unset it, or start with --simulate."
        )
    return factory, mock


def _new_factory(gpiozero: Any) -> Any:
    """Return lgpio's pins, or those that the environment names; no silent falling back."""
    if "GPIOZERO_PIN_FACTORY" not in os.environ:
        from gpiozero.pins.lgpio import LGPIOFactory

        gpiozero.Device.pin_factory = LGPIOFactory()
    else:
        gpiozero.Device.ensure_pin_factory()
    return gpiozero.Device.pin_factory
