"""The panel's thread: hands events on, survives refusals, never dies quietly."""

import threading

from station.errors import BadInput
from station.instruments.panel.base import BasePanel
from station.instruments.panel.contacts import (
    ContactChange,
    Lamp,
    PanelContacts,
    PanelEvent,
)
from station.instruments.panel.watch import PanelWatch
from tests.worked_panel import WorkedPanel

LONG_S = 30.0


def test_footswitch_reaches_the_bench_although_an_earlier_press_was_refused() -> None:
    released = threading.Semaphore(0)
    seen: list[ContactChange] = []

    def bench(event: PanelEvent) -> None:
        seen.append(event.change)
        if event.change is ContactChange.FOOTSWITCH_PRESSED:
            raise BadInput("The bench is not waiting for that: it is at idle.")
        released.release()

    panel = WorkedPanel()
    with PanelWatch(panel, bench) as watch:
        for _ in range(2):
            panel.press_footswitch(held_s=0.05)
            assert released.acquire(timeout=LONG_S)
        assert watch.trouble() is None
    assert seen == [ContactChange.FOOTSWITCH_PRESSED, ContactChange.FOOTSWITCH_RELEASED] * 2
    assert not panel.watching


class PanelThatFails(BasePanel):
    """Fails at the first look, and tells when it was closed."""

    def __init__(self) -> None:
        super().__init__(PanelContacts(0.0, {}))
        self.written: list[tuple[str, bool]] = []
        self.released = threading.Event()

    def poll(self) -> list[PanelEvent]:
        raise RuntimeError("out of order")

    def _has(self, output: str) -> bool:
        return True

    def _write(self, output: str, on: bool) -> None:
        self.written.append((output, on))

    def _release(self) -> None:
        self.released.set()


def test_thread_that_fails_leaves_outputs_off_and_says_why() -> None:
    panel = PanelThatFails()
    panel.show(Lamp.PASS)
    with PanelWatch(panel, lambda _event: None) as watch:
        assert panel.released.wait(LONG_S)
        assert "RuntimeError('out of order')" in (watch.trouble() or "")
    assert ("lamp_pass", True) in panel.written
    assert panel.written[-1] == ("current_reversal_relay", False)
    assert ("lamp_pass", False) in panel.written


def test_handler_that_fails_ends_the_watch_with_its_reason() -> None:
    def bench(_event: PanelEvent) -> None:
        raise RuntimeError("handler out of order")

    panel = PanelThatFails()
    panel.poll = lambda: [PanelEvent(0.0, ContactChange.GUARD_OPENED)]  # type: ignore[method-assign]
    with PanelWatch(panel, bench) as watch:
        assert panel.released.wait(LONG_S)
        assert "handler out of order" in (watch.trouble() or "")


def test_watch_that_is_not_begun_is_trouble() -> None:
    panel = WorkedPanel()
    assert "not watched yet" in (PanelWatch(panel, lambda _event: None).trouble() or "")
