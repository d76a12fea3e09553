"""Entries about gauge studies."""

from typing import Annotated, Literal

from pydantic import Field

from station.ledger.entries.base import Payload, Recorded

FiniteFloat = Annotated[float, Field(allow_inf_nan=False)]


class StudyTurn(Recorded):
    """One measurement of a gauge study: a :class:`calibration.study_plan.Turn`."""

    appraiser: str
    part: str
    trial: int = 1
    batch: str = ""


class StudyBegun(Payload, kind="study_begun"):
    """A gauge study was planned. Its ``id`` is the study's; its turns are read in this order."""

    study: Literal["crossed", "reclip", "nested"]
    title: str
    role: Literal["meter", "tester"]
    instrument: str
    turns: tuple[StudyTurn, ...]
    seed: int | None
    """What the order was drawn with; null where it was not."""
    limit: float | None = None
    """Where good must be told from bad; null where no limit was named."""
    side: Literal["upper", "lower"]
    """Whether values must stay at most or at least at the limit."""


class StudyReading(Payload, kind="study_reading"):
    """One turn of a gauge study was measured."""

    study_id: str
    """The id of the ``study_begun`` entry."""
    turn: int
    """Place in its turns, from 0."""
    readings: tuple[FiniteFloat, ...]
    value: float
    """Mean of the readings."""
    instrument: str
    reason: str = ""
    """Why it was measured again; then it replaces what the turn had."""


class StudyDropped(Payload, kind="study_dropped"):
    """A gauge study was given up; what was read stays on record."""

    study_id: str
    reason: str
