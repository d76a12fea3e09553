"""What the bench shows while a sample goes its way: one immutable snapshot at a time."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum

from calibration.saying import say
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import SampleFinished


class Stage(StrEnum):
    """Where a sample is on its way."""

    IDLE = "idle"
    CLIP_ON = "clip_on"
    READING = "reading"
    GRIP = "grip"
    PULLING = "pulling"
    NAME_FAILURE = "name_failure"
    DONE = "done"


WHAT_TO_DO = {
    Stage.IDLE: say("Choose a job and describe the joint to start a sample."),
    Stage.CLIP_ON: say(
        "Clip the four leads on, current outside, sense inside, at the fixture's marks."
    ),
    Stage.READING: say("Hold still: reading the resistance."),
    Stage.GRIP: say(
        "Eye protection on, guard closed, nobody in line with the pull. Put the sample in "
        "the grips."
    ),
    Stage.PULLING: say("Pull steadily until it lets go."),
    Stage.NAME_FAILURE: say("Look at the sample: how did it let go?"),
    Stage.DONE: say("Done. The pulled sample is scrap: never install it."),
}
"""What the person does now, in one line."""

HOLD_IT = say("Pull up to the force to hold, and hold it there until the time is over.")


@dataclass(frozen=True, slots=True)
class BenchState:
    """A snapshot of the bench.

    Attributes
    ----------
    version
        Grows by one with every change, so that a page can ask for news.
    taken
        How many samples were taken up, with the one that is shown.
    sample_id
        None until its measuring begins: from then on it is on record.
    resistance_readings_ohm
        Readings so far, in ohm.
    force_n, peak_n
        Latest and highest force of the pull under way, in newton.
    wire, next_wire
        Which wire of the joint is pulled, and which could be after it; by their places.
    pull_next
        True where that one will be.
    hold_n, hold_left_s
        Force that is to be held, in newton, and for how long it still is; None where none is.
    suggested_mode, may_have_slipped
        How the sample seems to have let go.
    outcome
        The finished sample, at stage done.
    why_void
        Why it is void, as it was said before it went on record; None where it is not.
    condemned_by
        The critical looks, as questions, that were answered with no.
    trouble
        What went wrong, in one sentence, where an instrument or the ledger failed.
    instrument_troubles
        What is wrong with each instrument just now, in one sentence each.
    standstill
        What is seen where the force does not change; a key of
        :data:`station.instruments.standstill.WORDS`.
    guard
        ``open`` or ``closed``; None where none is watched. Information, never a safety function.
    attention
        True while a calibration or check needs a look.
    unsaved
        That the sample in hand is in memory only, and why, in words for the person.
    """

    version: int = 0
    stage: Stage = Stage.IDLE
    order: SampleOrder | None = None
    taken: int = 0
    sample_id: str | None = None
    resistance_readings_ohm: tuple[float, ...] = ()
    force_n: float | None = None
    peak_n: float | None = None
    wire: int | None = None
    next_wire: int | None = None
    pull_next: bool = False
    hold_n: float | None = None
    hold_left_s: float | None = None
    standstill: str | None = None
    suggested_mode: str | None = None
    may_have_slipped: bool = False
    outcome: SampleFinished | None = None
    why_void: str | None = None
    condemned_by: tuple[str, ...] = ()
    trouble: str | None = None
    instrument_troubles: tuple[str, ...] = ()
    guard: str | None = None
    attention: bool = False
    unsaved: str | None = None

    @property
    def may_step_back(self) -> bool:
        """Whether a sample can be laid down as if never taken up: not measured, no fault seen."""
        return self.sample_id is None and not self.condemned_by

    @property
    def what_to_do(self) -> str:
        """What the person does now, in one line."""
        if self.stage is Stage.DONE and self.force_n is None:
            return say("Done. Nothing was pulled.")
        if self.stage is not Stage.PULLING or self.hold_n is None:
            return WHAT_TO_DO[self.stage]
        return say("Held: let go of it slowly.") if self.hold_left_s == 0.0 else HOLD_IT


class LiveTrace:
    """The force of the pull under way, for those who watch it grow. Safe between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pull = 0
        self._points: list[tuple[float, float]] = []

    def begin(self) -> None:
        """Forget the pull before; another begins."""
        with self._lock:
            self._pull += 1
            self._points = []

    def add(self, at_s: float, force_n: float) -> None:
        """Add a force in newton that came at the monotonic time ``at_s``."""
        with self._lock:
            self._points.append((at_s, force_n))

    def since(self, pull: int, index: int, most: int) -> tuple[int, int, list[tuple[float, float]]]:
        """What came since an earlier call.

        Parameters
        ----------
        pull, index
            What that call returned first; 0 and 0 for all there is.
        most
            At most so many points: the lowest and highest of each stretch are kept.

        Returns
        -------
        tuple
            Number of the pull, index for the next call, and points: seconds since the pull's first
            force, and newton.
        """
        with self._lock:
            new = self._points[index if pull == self._pull else 0 :]
            now = self._pull, len(self._points)
            first_s = self._points[0][0] if self._points else 0.0
        return *now, _thinned([(at_s - first_s, force_n) for at_s, force_n in new], most)


def _thinned(points: list[tuple[float, float]], most: int) -> list[tuple[float, float]]:
    if len(points) <= most:
        return points
    length = -(-len(points) // max(most // 2, 1))
    kept = []
    for start in range(0, len(points), length):
        stretch = range(start, min(start + length, len(points)))
        ends = {
            min(stretch, key=lambda place: points[place][1]),
            max(stretch, key=lambda place: points[place][1]),
        }
        kept += [points[place] for place in sorted(ends)]
    return kept


@dataclass
class Board:
    """The snapshot on show, and a way to wait for the next one. Safe between threads."""

    _state: BenchState = field(default_factory=BenchState)
    _changed: threading.Condition = field(default_factory=threading.Condition)
    listeners: list[Callable[[BenchState], None]] = field(default_factory=list)
    """Called with each new snapshot, in the thread that made it; must not take long."""
    trace: LiveTrace = field(default_factory=LiveTrace)

    @property
    def state(self) -> BenchState:
        """The latest snapshot."""
        with self._changed:
            return self._state

    def show(self, **changes: object) -> BenchState:
        """Replace fields of the snapshot and tell those who wait."""
        with self._changed:
            self._state = replace(self._state, version=self._state.version + 1, **changes)  # type: ignore[arg-type]
            self._changed.notify_all()
            shown = self._state
        for listener in self.listeners:
            listener(shown)
        return shown

    def begin(self, order: SampleOrder, condemned_by: tuple[str, ...]) -> None:
        """Show a sample that is taken up, and nothing of the one before."""
        self.trace.begin()
        left = {"version", "instrument_troubles", "guard", "attention", "unsaved"}
        blank = {item.name: item.default for item in fields(BenchState) if item.name not in left}
        mine = {"order": order, "taken": self.state.taken + 1, "condemned_by": condemned_by}
        self.show(**blank | mine | {"stage": Stage.CLIP_ON})

    def wait_beyond(self, version: int, timeout_s: float) -> BenchState:
        """Wait until the snapshot is newer than ``version`` or the time is up; return it."""
        with self._changed:
            self._changed.wait_for(lambda: self._state.version > version, timeout_s)
            return self._state
