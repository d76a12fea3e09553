"""What a person does between the measurements of a sample, and how the bench waits for it."""

import threading
from typing import Protocol

from calibration.saying import say
from station.bench.board import Stage
from station.errors import StationError


class SampleAbandoned(StationError):
    """The operator gave a sample up; it is logged as void with the reason, if it was begun."""


class Operator(Protocol):
    """What a person does between the measurements. Every method waits until it is done.

    Attributes
    ----------
    stop
        Set by whoever gives the sample up; it ends a recording under way.
    """

    stop: threading.Event

    def clips_on(self) -> None:
        """Clip the four leads on."""

    def sample_gripped(self) -> None:
        """Grip the sample, close the guard, and let the recording begin."""

    def failure_mode(self, suggested: str | None) -> str:
        """Say how the sample let go; a key of :data:`station.crimp.pull.reduce.FAILURE_MODES`."""


class PageOperator:
    """An operator who answers from another thread, with a way to give up at any time.

    An answer belongs to the stage it was given for: a second click is not taken for the next one,
    nor for the same stage of a further pull.
    """

    def __init__(self) -> None:
        self.stop = threading.Event()
        self._changed = threading.Condition()
        self._answers: dict[Stage, str] = {}
        self._given_up: str | None = None

    def clips_on(self) -> None:
        """Wait for the person."""
        self._wait_for(Stage.CLIP_ON)

    def sample_gripped(self) -> None:
        """Wait for the person."""
        self._wait_for(Stage.GRIP)

    def failure_mode(self, suggested: str | None) -> str:  # noqa: ARG002
        """Wait for the person's choice."""
        return self._wait_for(Stage.NAME_FAILURE)

    def answer(self, stage: Stage, text: str = "") -> None:
        """Give the answer for a stage; a second one for the same stage changes nothing."""
        with self._changed:
            self._answers.setdefault(stage, text)
            self._changed.notify_all()

    def abandon(self, reason: str) -> None:
        """Give up, whatever is being waited for."""
        with self._changed:
            self._given_up = say("given up by the operator: {reason}", reason=reason)
            self._changed.notify_all()
        self.stop.set()

    def _wait_for(self, stage: Stage) -> str:
        with self._changed:
            self._changed.wait_for(lambda: stage in self._answers or self._given_up is not None)
            if self._given_up is not None:
                raise SampleAbandoned(self._given_up)
            answer = self._answers[stage]
            self._answers.clear()
            return answer
