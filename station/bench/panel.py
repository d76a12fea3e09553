"""What the panel does for a sample: it confirms, refuses, voids, and shows how the bench stands.

The guard input is for information and for voiding tests. It is not a safety function: guard and
emergency stop must remove motor power without this computer.
"""

from collections.abc import Callable
from typing import Literal

from station.bench.board import BenchState, Board, Stage
from station.crimp.verdict import Verdict
from station.errors import BadInput
from station.instruments.panel.base import BasePanel, PanelLine
from station.instruments.panel.contacts import ContactChange, Lamp, PanelEvent, lamp_for

WAITING = (Stage.IDLE, Stage.CLIP_ON, Stage.GRIP, Stage.NAME_FAILURE)
"""Stages at which the bench waits for the person: its ready lamp is lit."""

FAIL_BEEP_S = 0.8


def lamps_of(state: BenchState) -> frozenset[Lamp]:
    """The lamps that say how the bench stands."""
    lamps = {Lamp.READY} if state.stage in WAITING else set()
    if state.stage is Stage.DONE and state.outcome is not None:
        lamps.add(lamp_for(Verdict(state.outcome.verdict)))
    if state.trouble or state.instrument_troubles or state.attention:
        lamps.add(Lamp.ATTENTION)
    return frozenset(lamps)


class BenchPanel:
    """A panel at a bench.

    Parameters
    ----------
    panel
        The panel; one that is not there does nothing.
    board
        What the lamps show.
    """

    def __init__(self, panel: BasePanel, board: Board) -> None:
        self._panel = panel
        self._board = board
        self._shown = (Stage.IDLE, "")
        self._lit: frozenset[Lamp] | None = None
        board.listeners.append(self._show)
        board.show(guard=self._guard())

    @property
    def simulated(self) -> bool:
        """True where contacts are played by a program."""
        return self._panel.present and self._panel.simulated

    @property
    def guard_word(self) -> Literal["closed", "not watched"]:
        """What the record says of a guard that was never seen open."""
        return "not watched" if self._panel.guard_closed is None else "closed"

    def line(self) -> PanelLine:
        """The panel as the page lists it."""
        return self._panel.line()

    def demand_closed_guard(self) -> None:
        """Refuse while the guard is open (BadInput)."""
        if self._panel.guard_closed is False:
            self._panel.beep(FAIL_BEEP_S)
            raise BadInput(
                "The guard is open: close it, then say again that the sample is gripped."
            )

    def void_reason(self, since_s: float) -> str | None:
        """Why a pull that began at the monotonic time ``since_s`` is void, or None."""
        return self._panel.void_reason(since_s)

    def take(
        self, event: PanelEvent, confirm: Callable[[], None], stop: Callable[[], None]
    ) -> None:
        """Act on what happened at the panel.

        Parameters
        ----------
        confirm
            What the footswitch stands for; raises BadInput where it is not asked for.
        stop
            Ends a recording under way.
        """
        match event.change:
            case ContactChange.FOOTSWITCH_PRESSED:
                self._press(confirm)
            case ContactChange.GUARD_OPENED:
                if self._board.state.stage is Stage.PULLING:
                    stop()
                self._board.show(guard=self._guard())
            case ContactChange.GUARD_CLOSED:
                self._board.show(guard=self._guard(), trouble=None)

    def _press(self, confirm: Callable[[], None]) -> None:
        try:
            confirm()
        except BadInput as error:
            if self._board.state.stage is Stage.GRIP:
                self._board.show(trouble=str(error))

    def _guard(self) -> str | None:
        return {None: None, True: "closed", False: "open"}[self._panel.guard_closed]

    def _show(self, state: BenchState) -> None:
        lamps = lamps_of(state)
        if lamps != self._lit:
            self._lit = lamps
            self._panel.show(*lamps)
        verdict = "" if state.outcome is None else state.outcome.verdict
        if state.stage is Stage.DONE and self._shown != (state.stage, state.sample_id):
            self._panel.beep(FAIL_BEEP_S if verdict == Verdict.FAIL.value else 0.15)
        self._shown = (state.stage, state.sample_id or "")
