"""The sample in hand, kept while it cannot be written, and written as soon as it can."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from calibration.saying import say
from station.bench.board import Board, Stage
from station.errors import BadInput, LedgerError, SampleUnsaved, StationError
from station.ledger.chain import Moment
from station.ledger.entries import SampleFinished
from station.ledger.store import Ledger

RETRY_S = 5.0
"""How long to wait before a sample that could not be written is tried again (our own choice)."""


@dataclass(frozen=True, slots=True)
class FinishedInMemory:
    """A finished sample that is in memory only."""

    finished: SampleFinished
    person: str
    traces: Mapping[str, bytes]
    moment: Moment
    """When it was finished, whenever it is written."""


class UnsavedSample:
    """Writes finished samples, and keeps the one that could not be written.

    At most one sample is kept: no other may be begun before it is written. Safe between threads.

    Parameters
    ----------
    ledger, board
        Where the sample goes, and where it is said that it has not gone there yet.
    settle
        Called with its job and person once a sample was written late; returns what went wrong.
    retry_s
        Seconds between two tries.
    """

    def __init__(
        self,
        ledger: Ledger,
        board: Board,
        *,
        settle: Callable[[str | None, str], str | None] = lambda _job_id, _person: None,
        retry_s: float = RETRY_S,
    ) -> None:
        self._ledger = ledger
        self._board = board
        self._settle = settle
        self._retry_s = retry_s
        self._lock = threading.Lock()
        self._kept: FinishedInMemory | None = None
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def unsaved_id(self) -> str | None:
        """The id of the sample that is in memory only; None where there is none."""
        kept = self._kept
        return None if kept is None else kept.finished.sample_id

    def demand_saved(self, sample_id: str | None = None) -> None:
        """Let pass where nothing is unsaved, or not this sample.

        Raises
        ------
        SampleUnsaved
            A sample is in memory only.
        """
        unsaved = self.unsaved_id
        if unsaved is not None and sample_id in (None, unsaved):
            raise SampleUnsaved(
                self._board.state.unsaved
                or say("Sample {unsaved} is not saved yet.", unsaved=unsaved)
            )

    def save(self, finished: SampleFinished, person: str, traces: Mapping[str, bytes]) -> None:
        """Write a sample's finish.

        Raises
        ------
        SampleUnsaved
            It could not be written; it is kept, said to be unsaved, and tried again.
        BadInput
            It contradicts the record.
        """
        sample = FinishedInMemory(finished, person, traces, self._ledger.now())
        try:
            self._write(sample)
        except LedgerError as error:
            with self._lock:
                self._kept = sample
            sentence = self._say(error)
            self._thread = threading.Thread(target=self._retry, name="unsaved sample", daemon=True)
            self._thread.start()
            raise SampleUnsaved(sentence) from error

    def save_again(self) -> bool:
        """Try once more, now; return whether nothing is unsaved any more."""
        with self._lock:
            kept = self._kept
            if kept is None:
                return True
            try:
                self._write(kept)
            except LedgerError as error:
                self._say(error)
                return False
            except BadInput as error:
                # Somebody settled the sample meanwhile: what they wrote stands.
                self._kept = None
                self._board.show(unsaved=None, trouble=str(error))
                return True
            self._kept = None
            trouble = self._settle(kept.finished.job_id, kept.person)
            self._board.show(stage=Stage.DONE, outcome=kept.finished, unsaved=None, trouble=trouble)
            return True

    def close(self) -> None:
        """Try a last time and stop trying."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join()
        self.save_again()

    def _write(self, sample: FinishedInMemory) -> None:
        self._ledger.append(
            sample.finished, person=sample.person, traces=sample.traces, moment=sample.moment
        )

    def _say(self, error: StationError) -> str:
        sentence = say(
            "NOT SAVED: sample {unsaved_id} is in memory only. {error} It is saved by "
            "itself once that is mended: until then do not switch the station off.",
            unsaved_id=self.unsaved_id,
            error=str(error),
        )
        if self._board.state.unsaved != sentence:
            self._board.show(stage=Stage.IDLE, unsaved=sentence)
        return sentence

    def _retry(self) -> None:
        while not self._closing.wait(self._retry_s):
            try:
                if self.save_again():
                    return
            except Exception as error:
                # No thread dies quietly: the sample stays kept, and the person is told.
                self._board.show(
                    trouble=say("The station made a mistake while saving: {error!r}.", error=error)
                )
                raise
