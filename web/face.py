"""What the page needs of a bench: the few members it calls, and nothing else."""

from collections.abc import Sequence
from typing import Protocol

from calibration.standing import Role
from station.bench.board import Board
from station.crimp.limits import LimitSets
from station.instruments.panel.base import PanelLine
from station.jobs.open_jobs import JobBook
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Payload
from station.ledger.entry import Entry
from station.settings import Settings


class InstrumentLine(Protocol):
    """One instrument of the bench, as the page lists it."""

    @property
    def role(self) -> str:
        """What it measures for the bench, in a word."""

    @property
    def profile(self) -> str:
        """Name of the profile it is read by."""

    @property
    def port(self) -> str:
        """Where it hangs."""

    @property
    def identity(self) -> str | None:
        """How it named itself; None before it has answered."""

    @property
    def trouble(self) -> str | None:
        """What is wrong with it, in one sentence; None where nothing is."""

    @property
    def simulated(self) -> bool:
        """True where a program plays the instrument."""


class BenchFace(Protocol):
    """A bench as the page sees it.

    Every method raises a :class:`station.errors.StationError` whose text can be shown as it is.
    """

    @property
    def board(self) -> Board:
        """The snapshot on show."""

    @property
    def settings(self) -> Settings:
        """The bench's settings."""

    @property
    def jobs(self) -> JobBook:
        """The book of jobs over the bench's ledger."""

    @property
    def limit_sets(self) -> LimitSets:
        """The limit sets at hand."""

    @property
    def simulated(self) -> bool:
        """True where any instrument is played by a program."""

    def instruments(self) -> Sequence[InstrumentLine]:
        """List the instruments and how each is doing."""

    def panel_line(self) -> PanelLine:
        """Tell how the panel is doing."""

    def start(self, order: SampleOrder) -> None:
        """Take a sample up (BadInput if the bench is busy or the description is wrong)."""

    def confirm(self) -> None:
        """Take the person's word that the clips are on, or that the sample is gripped."""

    def name_failure(self, mode: str) -> None:
        """Take the person's word on how the sample let go."""

    def abandon(self, reason: str) -> None:
        """Give the sample up: it is recorded as void."""

    def void_unfinished(self, sample_id: str, person: str, reason: str) -> object:
        """Record an interrupted sample as void."""

    def save_again(self) -> bool:
        """Try now to record a sample that is in memory only; whether none is any more."""

    def enter(self, payload: Payload, person: str) -> Entry:
        """Record what a person did beside the samples."""

    def read_standard(self, role: Role, expected: float) -> tuple[str, list[float]]:
        """Read an instrument that looks at a known standard; its name, and readings in SI units."""

    def read_pull(self) -> tuple[str, float]:
        """Record one pull that is no sample; the tester's name, and the peak in newton."""
