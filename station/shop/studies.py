"""Gauge studies at the bench: planned, measured turn by turn on the record, and judged.

Progress is a function of the ledger alone: a study goes on after any interruption, on the page or
the command line, where its last recorded reading left it.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from statistics import fmean

from calibration.clips import Reclipping, reclipping
from calibration.gauge_study import GaugeStudy, crossed_study, nested_study
from calibration.saying import say
from calibration.standing import UNITS, InstrumentKind
from calibration.study_plan import Turn
from calibration.telling import can_tell
from station.errors import BadInput, NotOnRecord
from station.ledger.entries import StudyBegun, StudyDropped, StudyReading, StudyTurn
from station.ledger.entry import Entry
from station.ledger.reader import LedgerReader
from station.shop.study_figure import GaugePicture

MOST_READINGS = 50

TURN_WORDS: dict[str, str] = {
    "crossed": say("{appraiser} measures part {part}, round {trial}."),
    "nested": say("{appraiser} pulls part {part} of batch {batch}."),
    "reclip": say(
        "{appraiser} takes the clips off part {part} and puts them on again (clipping {batch}), "
        "then reads."
    ),
}
LEFT_ON = say("{appraiser} leaves the clips on and reads part {part} again.")


@dataclass(frozen=True, slots=True)
class StudyProgress:
    """A study as it stands.

    Attributes
    ----------
    values
        Mean reading of every turn in SI units; None where it is still to be measured.
    dropped
        Why it was given up; None where it was not.
    """

    id: str
    begun: StudyBegun
    at: Entry
    values: tuple[float | None, ...]
    dropped: str | None

    @property
    def next_turn(self) -> int | None:
        """The turn to be measured now; None where all are, or where it was given up."""
        if self.dropped is not None:
            return None
        return next((n for n, value in enumerate(self.values) if value is None), None)

    @property
    def done(self) -> int:
        """How many turns were measured."""
        return sum(value is not None for value in self.values)

    @property
    def complete(self) -> bool:
        """Whether every turn was measured."""
        return self.done == len(self.values)


@dataclass(frozen=True, slots=True)
class StudyResult(GaugePicture):
    """What a study shows, in the unit that people read; of a re-clipping study no part's spread.

    Attributes
    ----------
    gauge
        Spread by source; of a re-clipping study, clippings stand where parts are.
    clips
        Of a re-clipping study only.
    """

    gauge: GaugeStudy
    clips: Reclipping | None = None


def begin(
    kind: str,
    turns: Sequence[Turn],
    *,
    title: str,
    role: InstrumentKind,
    instrument: str,
    seed: int | None,
    limit: float | None = None,
) -> StudyBegun:
    """The entry that begins a study; the limit in SI units.

    Forces must reach a limit and resistances must not exceed it.

    Raises
    ------
    BadInput
        No title or instrument, or a limit that is no number.
    """
    if not title.strip():
        raise BadInput("Give the study a title, by which people will know it.")
    if not instrument.strip():
        raise BadInput("Name the instrument that is studied, as the record calls it.")
    if limit is not None and not math.isfinite(limit):
        raise BadInput("The limit is not a number.")
    return StudyBegun.model_validate(
        {
            "study": kind,
            "title": title.strip(),
            "role": role,
            "instrument": instrument,
            "turns": [asdict(turn) for turn in turns],
            "seed": seed,
            "limit": limit,
            "side": "upper" if role == "meter" else "lower",
        }
    )


def studies(reader: LedgerReader) -> list[StudyProgress]:
    """Every study on record, the latest first."""
    readings, dropped = reader.said(StudyReading), reader.said(StudyDropped)
    found = [_progress(entry, readings, dropped) for entry in reader.entries(kind=StudyBegun.KIND)]
    return found[::-1]


def study(reader: LedgerReader, study_id: str) -> StudyProgress:
    """One study by its id, or by the beginning of its id.

    Raises
    ------
    NotOnRecord
        There is none, or several begin like this.
    """
    found = [progress for progress in studies(reader) if progress.id.startswith(study_id)]
    if len(found) != 1 or not study_id:
        raise NotOnRecord(
            f"There {'is no study' if not found else 'are several studies'} {study_id!r} on "
            "record: list them and name one by its id."
        )
    return found[0]


def _progress(
    entry: Entry, readings: Iterable[StudyReading], dropped: Iterable[StudyDropped]
) -> StudyProgress:
    begun = entry.payload
    if not isinstance(begun, StudyBegun):
        raise TypeError(f"entry {entry.seq} begins no study")
    values: list[float | None] = [None] * len(begun.turns)
    for read in readings:
        # A second click for the same turn changes nothing; another reading needs a reason.
        if read.study_id == entry.id and (values[read.turn] is None or read.reason):
            values[read.turn] = read.value
    reason = next((one.reason for one in dropped if one.study_id == entry.id), None)
    return StudyProgress(entry.id, begun, entry, tuple(values), reason)


def reading_for(
    progress: StudyProgress,
    turn: int,
    readings: Sequence[float],
    *,
    instrument: str,
    reason: str = "",
) -> StudyReading:
    """The entry of one measured turn; readings in SI units.

    Raises
    ------
    BadInput
        The study was given up, the turn does not exist or was measured without a reason to do it
        again, another instrument was used, or a reading is no number.
    """
    if progress.dropped is not None:
        raise BadInput(
            "This study was given up ({dropped}): begin a new one.", dropped=progress.dropped
        )
    if not 0 <= turn < len(progress.values):
        raise BadInput(
            "There is no turn {turn}: the study has {count}.",
            turn=turn + 1,
            count=len(progress.values),
        )
    if progress.values[turn] is not None and not reason.strip():
        raise BadInput(
            "Turn {turn} was measured already: to measure it again, give the reason.",
            turn=turn + 1,
        )
    if progress.values[turn] is None and turn != progress.next_turn:
        raise BadInput(
            "Turn {turn} is not due yet: keep to the order that was drawn, so that "
            "drift falls on all alike.",
            turn=turn + 1,
        )
    if instrument != progress.begun.instrument:
        raise BadInput(
            "This study is of {instrument}, not of {instrument_2}: measure with that.",
            instrument=progress.begun.instrument,
            instrument_2=instrument,
        )
    if not 1 <= len(readings) <= MOST_READINGS or not all(map(math.isfinite, readings)):
        raise BadInput(
            "Give 1 to {most_readings} readings, and all must be numbers.",
            most_readings=MOST_READINGS,
        )
    return StudyReading(
        study_id=progress.id,
        turn=turn,
        readings=tuple(readings),
        value=math.fsum(readings) / len(readings),
        instrument=instrument,
        reason=reason.strip(),
    )


def dropped(progress: StudyProgress, reason: str) -> StudyDropped:
    """The entry that gives a study up (BadInput where that is done, or no reason given)."""
    if progress.dropped is not None:
        raise BadInput("This study was given up already.")
    if not reason.strip():
        raise BadInput("Say why the study is given up.")
    return StudyDropped(study_id=progress.id, reason=reason.strip(), demo=progress.begun.demo)


def result_of(progress: StudyProgress) -> StudyResult:
    """What a complete study shows.

    Raises
    ------
    BadInput
        Turns are still to be measured.
    """
    if not progress.complete:
        raise BadInput(
            "{done} of {count} turns are measured: the result waits for the last.",
            done=progress.done,
            count=len(progress.values),
        )
    begun = progress.begun
    unit, scale = UNITS[begun.role]
    turns = tuple(Turn(**turn.model_dump()) for turn in begun.turns)
    values = tuple(value / scale for value in progress.values if value is not None)
    parts, people = [turn.part for turn in turns], [turn.appraiser for turn in turns]
    batches = [turn.batch for turn in turns]
    clips = None
    if begun.study == "crossed":
        gauge = crossed_study(parts, people, values)
    elif begun.study == "nested":
        gauge = nested_study(batches, values, people)
    else:
        clips = reclipping(batches, values)
        gauge = clips.study
    gauge_sd = gauge.gauge_sd if clips is None else clips.repeatability_sd
    part_sd = gauge.part_sd if clips is None else 0.0
    telling = None
    if begun.limit is not None:
        limit = begun.limit / scale
        telling = can_tell(gauge_sd, part_sd, fmean(values), limit, side=begun.side)
    return StudyResult(values, turns, unit, gauge_sd, part_sd, telling, gauge, clips)


def sentences(result: StudyResult) -> Iterator[str]:
    """What a study shows, in plain words."""
    unit = result.unit
    if result.clips is not None:
        yield from _clip_sentences(result.clips)
    else:
        yield from _gauge_sentences(result.gauge, unit)
    if result.telling is not None:
        yield say(
            "Can good be told from bad at {limit:.6g} {unit}? {sentence}",
            limit=result.telling.limit,
            unit=unit,
            sentence=say(result.telling.sentence),
        )


def _gauge_sentences(gauge: GaugeStudy, unit: str) -> Iterator[str]:
    yield say(
        "One measurement spreads by {gauge_sd:.3g} {unit} (one standard "
        "deviation), the parts by {part_sd:.3g} {unit}.",
        gauge_sd=gauge.gauge_sd,
        unit=unit,
        part_sd=gauge.part_sd,
    )
    if gauge.reproducibility_sd is not None:
        yield say(
            "The same person repeats to {repeatability_sd:.3g} {unit}; people "
            "differ by {reproducibility_sd:.3g} {unit}.",
            repeatability_sd=gauge.repeatability_sd,
            unit=unit,
            reproducibility_sd=gauge.reproducibility_sd,
        )
    share, kinds = gauge.percent_gauge, gauge.distinct_categories
    if share is not None and kinds is None:
        yield say("The gauge makes {share:.0f} % of the total spread.", share=share)
    elif share is not None:
        yield say(
            "The gauge makes {share:.0f} % of the total spread, enough to tell {kinds} "
            "kinds of part apart.",
            kinds=kinds,
            share=share,
        )
    for name in gauge.floored:
        yield say("The estimate for {name} came out negative and is stated as 0.", name=name)


def _clip_sentences(clips: Reclipping) -> Iterator[str]:
    unit, scale = UNITS["meter"]
    if clips.share is None:
        yield say("Nothing varied at all: the meter's digit is too coarse for this study.")
        return
    yield say(
        "With the clips left on, readings repeat to {within_sd:.3g} {unit}; taking "
        "them off and on moves them by {reclip_sd:.3g} {unit} (one standard deviation "
        "each).",
        within_sd=clips.within_sd,
        unit=unit,
        reclip_sd=clips.reclip_sd,
    )
    yield say(
        "Re-clipping is {share:.0f} % of the variance of a reading. Repeats of one "
        "clipping do not average it out: a budget must carry it as a line of its own, "
        "{reclip_sd:.3g} {unit} with {reclip_dof:.1f} degrees of freedom.",
        share=100.0 * clips.share,
        reclip_sd=clips.reclip_sd,
        unit=unit,
        reclip_dof=clips.reclip_dof,
    )
    yield say(
        "The settings do that for every sample: in [fixture] u_reclip_ohm = "
        "{reclip_sd:.3g}, reclip_dof = {reclip_dof:.1f}.",
        reclip_sd=clips.reclip_sd * scale,
        reclip_dof=clips.reclip_dof,
    )


def turn_words(turn: StudyTurn, kind: str) -> str:
    """What is to be done at a turn, in one sentence without earlier values."""
    again = kind == "reclip" and turn.trial > 1
    return say(LEFT_ON if again else TURN_WORDS[kind], **turn.model_dump())
