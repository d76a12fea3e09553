"""The hands of the simulated world: they clip, grip and pull where a person would.

They reach the simulators by their control channel and read the bench's board like anyone in the
room. The bench itself sees only the two serial ports.
"""

import contextlib
import threading
from dataclasses import dataclass, field

from station.bench.board import BenchState, Board, Stage
from station.errors import InstrumentError
from station.ledger.entries import Joint
from station.simulation.launch import SimulatedInstrument
from station.simulation.physics import Specimen
from station.simulation.workshop import Crimper

UNDER_WAY = (Stage.CLIP_ON, Stage.READING, Stage.GRIP, Stage.PULLING)

HOLD_LONGER_S = 1.0
"""What hands hold a force for beyond the time that is asked for."""


def once_recorded(board: Board) -> BenchState:
    """Wait until the bench shows a force or goes on without one, and return what it shows.

    Whoever pulls before the recording is under way pulls unseen.
    """
    state = board.state
    while state.stage is Stage.GRIP or (state.stage is Stage.PULLING and state.force_n is None):
        state = board.wait_beyond(state.version, timeout_s=0.5)
    return state


@dataclass
class SimulatedHands:
    """Crimps a specimen for each sample and works the two simulated instruments with it."""

    crimper: Crimper
    meter: SimulatedInstrument
    tester: SimulatedInstrument
    board: Board
    specimen: Specimen | None = field(default=None, init=False)

    def clip_on(self, joint: Joint) -> None:
        """Crimp a sample of this joint and clip the meter's leads on."""
        self.specimen = self.crimper.make(joint)
        with contextlib.suppress(InstrumentError):  # a lost one is the bench's to notice
            self.meter.command({"mount": self.specimen.model_dump()})

    def pull_once_recorded(self) -> None:
        """Pull as soon as it is recorded; do nothing where the bench goes on without a force."""
        state = once_recorded(self.board)
        if state.stage is Stage.PULLING:
            self.pull(state.hold_n, (state.hold_left_s or 0.0) + HOLD_LONGER_S)

    def pull(self, hold_n: float | None = None, hold_s: float = 0.0) -> None:
        """Put the sample into the grips and work the lever: to the end, or to hold a force."""
        if self.specimen is None:
            return
        held = {"break_force_n": hold_n, "hold_s": hold_s}
        bears = hold_n is not None and self.specimen.break_force_n > hold_n
        specimen = self.specimen.model_copy(update=held if bears else {})
        with contextlib.suppress(InstrumentError):
            self.meter.command({"unmount": True})
        with contextlib.suppress(InstrumentError):
            self.tester.command({"mount": specimen.model_dump()})
            self.tester.command({"pull": True})

    def failure_mode(self) -> str:
        """What one sees on the pulled sample."""
        slipped = self.specimen is not None and self.specimen.failure == "slip"
        return "drawn_out" if slipped else "broke_at_edge"


class HandsAtTheBench:
    """Watches the board and does what it asks for, while a person works the page."""

    def __init__(self, hands: SimulatedHands) -> None:
        self._board = hands.board
        self._hands = hands
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="simulated hands", daemon=True)

    def __enter__(self) -> "HandsAtTheBench":
        self._thread.start()
        return self

    def __exit__(self, *exception: object) -> None:
        self._stopping.set()
        self._thread.join(timeout=5.0)

    def _watch(self) -> None:
        state, clipped = self._board.state, None
        done = state.taken, state.stage
        while not self._stopping.is_set():
            state = self._board.wait_beyond(state.version, timeout_s=0.5)
            if (state.taken, state.stage) == done:
                continue
            done = state.taken, state.stage
            # A person may be through a step before the hands have seen it.
            if state.order is not None and state.stage in UNDER_WAY and clipped != state.taken:
                clipped = state.taken
                self._hands.clip_on(state.order.joint)
            if state.stage is Stage.PULLING:
                self._hands.pull_once_recorded()
