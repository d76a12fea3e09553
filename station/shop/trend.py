"""From a nest's samples to its trend: scores, the wear watch, a plain sentence."""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from calibration.saying import join, say
from station.crimp.units import milliohm
from station.ledger.entries import BaselineSet
from station.ledger.rows import SampleRow
from station.statistics.drift_study import DEFAULT_BASELINE, drift_study
from station.statistics.pooling import Baseline
from station.statistics.stray_watch import StrayFlag, watch_strays
from station.statistics.wear_report import (
    NestDistances,
    WearReport,
    how_fast,
    how_long,
    wear_report,
)
from station.statistics.wear_watch import (
    FEWEST_SITTINGS,
    WearFlag,
    samples_to_find,
    watch_nest,
    widening,
)

_WHAT = {
    "force": say("getting weaker"),
    "resistance": say("its resistance is rising"),
    "both": say("getting weaker, and its resistance is rising"),
}

NOT_OF_THE_NEST = (
    "tool_validation", "certification", "practice", "comparison", "service", "imported",
)  # fmt: skip
"""Jobs whose samples say nothing of a nest's wear: they set its baseline, or they try a person, a
way of joining, or a nest that is being worked on, or were measured elsewhere."""

TOLD_LOSS, TOLD = 0.10, "10 %"
"""A share of the pull force: how soon such a loss would be found is said of a steady nest."""

TOLD_FACTOR = 1.25

BETWEEN_SITTINGS = timedelta(hours=4)
"""Samples farther apart are of two sittings: a new day, whatever the zone."""

MIN_SPLICE_OHM = 1e-6
"""Below a microohm a splice's logarithm says more about the meter than about the crimp."""


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One sample of a trend; None where there is no value or no baseline for its joint.

    Attributes
    ----------
    force_distance, resistance_distance
        In deviations from the recorded baseline.
    """

    sample: SampleRow
    force_distance: float | None
    resistance_distance: float | None


@dataclass(frozen=True, slots=True)
class NestTrend:
    """Trend of one nest since its last service.

    Attributes
    ----------
    points
        Finished samples in time order, voids left out.
    flag
        The first signal of the wear watch; None while there is none.
    report
        What is known of the change; None where the watch has flagged none.
    """

    tool: str
    nest: str
    points: tuple[TrendPoint, ...]
    flag: WearFlag | None
    report: WearReport | None = None
    cut: int = 0
    """Samples that were cut off at the beginning; positions in the report still count them."""
    change_began: datetime | None = None
    """When the change probably began; None where none was found."""
    sentence: str = ""
    """The state of the nest in one line."""
    why: str = ""
    """What that rests on, in standard deviations; empty where nothing was found."""
    in_sight: bool = False
    """True where a loss of :data:`TOLD` would be found; False without a baseline, or with too
    rough a one."""
    strays: StrayFlag | None = None
    """Weak crimps among good ones; None without, or where the nest is worn: that explains them."""

    @property
    def samples(self) -> tuple[SampleRow, ...]:
        """The samples of the points."""
        return tuple(point.sample for point in self.points)

    @property
    def count(self) -> int:
        """Samples since the last service, those that were cut off among them."""
        return self.cut + len(self.points)

    def tail(self, most: int) -> "NestTrend":
        """The latest samples only, for showing; what the watch found in all of them stays."""
        cut = max(0, len(self.points) - most)
        return replace(self, points=self.points[cut:], cut=self.cut + cut)

    @property
    def flagged(self) -> bool:
        """True where a watch says that this nest is worn, or makes stray weak crimps."""
        return self.flag is not None or self.strays is not None

    @property
    def signal_seq(self) -> int | None:
        """Entry of the sample at which its watch signalled; None where none did."""
        told = self.flag or self.strays
        return None if told is None else self.samples[told.signal_position].begun_seq

    @property
    def has_baseline(self) -> bool:
        """True where at least one sample could be scored."""
        return any(
            point.force_distance is not None or point.resistance_distance is not None
            for point in self.points
        )


def nest_trend(
    tool: str,
    nest: str,
    samples: Sequence[SampleRow],
    baselines: Mapping[str, BaselineSet],
    *,
    run_length: float,
    since_seq: int = 0,
) -> NestTrend:
    """Trend of a nest.

    Parameters
    ----------
    samples
        The nest's samples in time order; void, unfinished, those of :data:`NOT_OF_THE_NEST` and
        those up to ``since_seq`` (the last service) are left out. Validation samples set the
        baseline and cannot be tested against it.
    baselines
        By joint key.
    run_length
        In-control run length of the wear watch.
    """
    kept = tuple(
        row
        for row in samples
        if row.verdict in ("pass", "fail", "undecided")
        and row.job not in NOT_OF_THE_NEST
        and row.begun_seq > since_seq
    )
    joints = [row.joint_key for row in kept]
    force = [force_ratio(row) for row in kept]
    resistance = [log_resistance(row) for row in kept]
    known = {key: baselines_of(entry) for key, entry in baselines.items() if _usable(entry)}
    distances = _distances(force, resistance, joints, known)
    sizes = [baseline.n for baseline in distances.force_baselines]
    together = sittings_of([row.at_utc for row in kept])
    flag = watch_nest(
        distances.worse, distances.joints, sizes, run_length=run_length, sittings=together
    )
    report = None if flag is None else wear_report(flag, distances)
    height, strays = None if flag else _height_grown(kept, run_length), None
    if height is not None:
        flag = height[0]
    elif flag is None:
        strays = watch_strays(distances.worse, distances.joints, sizes, run_length=run_length)
    began = height[1] if height else None if report is None else kept[report.change.began].at_utc
    shown = (_shown(-distances.worse[:, 0]), _shown(distances.worse[:, 1]))
    points = tuple(TrendPoint(*point) for point in zip(kept, *shown, strict=True))
    why, in_sight = "", False
    if report is not None:
        pairs = [known.get(key) for key in joints]
        sentence = join((_worn(kept, pairs, report), *_days_unknown(together)))
        why = say(how_fast(report.change))
    elif height is not None:
        sentence = join((height[2], *_days_unknown(together)))
    elif strays is not None:
        sentence = _strays(kept, strays)
    elif np.isfinite(distances.worse).any():
        sentence, in_sight = _steady(distances, together, run_length)
    else:
        sentence = say("No baseline yet: validate the tool before its trend can be judged.")
    sentence = join((sentence, *_left_out(kept)))
    return NestTrend(
        tool, nest, points, flag, report,
        change_began=began, sentence=sentence, why=why, in_sight=in_sight, strays=strays,
    )  # fmt: skip


def _height_grown(
    samples: Sequence[SampleRow], run_length: float
) -> tuple[WearFlag, datetime, str] | None:
    """When and how a joint's crimp height grew beyond its first ones since service; None if none.

    A die that wears lets it grow; one that shrinks, as by a setting that slipped, is left to its
    tolerance. Each joint is held against its own first :data:`DEFAULT_BASELINE` heights.
    """
    for key in dict.fromkeys(row.joint_key for row in samples if row.crimp_height_m):
        own = [row for row in samples if row.crimp_height_m and row.joint_key == key]
        days = [*map(str, sittings_of([row.at_utc for row in own]))]
        heights_m = [row.crimp_height_m or 0.0 for row in own]
        try:
            study = drift_study(heights_m, direction="up", run_length=run_length, days=days)
        except ValueError:  # as yet too few, or all the same
            continue
        if study.signal_index is not None and study.change is not None:
            began = own[DEFAULT_BASELINE + study.change.began].at_utc
            words = say(
                "Worn: crimp height has grown by about {grown:.3f} mm at {wires} since about "
                "{began:%Y-%m-%d}. Take the tool out of use, look at the nest and its setting, and "
                "re-check its last samples.",
                grown=1e3 * study.change.level * study.baseline.sigma,
                wires=" + ".join(own[-1].wires),
                began=began,
            )
            place = samples.index(own[DEFAULT_BASELINE + study.signal_index])
            return WearFlag("height", place), began, words
    return None


def _left_out(samples: Sequence[SampleRow]) -> Iterator[str]:
    """Says how many pulls no chart shows: what a sample bears is no measure of its strength."""
    if count := sum(row.pulled and row.peak_n is None for row in samples):
        yield say("Left out: {count} pulls not made to the end, or of a thicker wire.", count=count)


def sittings_of(made: Sequence[datetime]) -> NDArray[np.intp]:
    """Number of each sample's sitting, from 0, by the times in order at which they were made."""
    apart = [after - before > BETWEEN_SITTINGS for before, after in itertools.pairwise(made)]
    return np.cumsum([False, *apart])[: len(made)]


def _steady(nest: NestDistances, sittings: NDArray[np.intp], run_length: float) -> tuple[str, bool]:
    """No change was found, what would have been and what that rests on; whether it would."""
    factors = widening(nest.worse, sittings)
    if sittings[-1] + 1 < FEWEST_SITTINGS:
        rests = say(
            "It takes days as alike until {count} of them are known: so far {known}.",
            count=FEWEST_SITTINGS,
            known=int(sittings[-1]) + 1,
        )
    elif factors.max() >= TOLD_FACTOR:
        rests = say(
            "Crimps of one sitting are alike: {factor:.1f} of them say as much as one, which is "
            "allowed for.",
            factor=float(factors.max()),
        )
    else:
        rests = None
    found, in_sight = _in_sight(nest, float(factors[0]), run_length)
    return (found if rests is None else join((found, rests))), in_sight


def _in_sight(nest: NestDistances, factor: float, run_length: float) -> tuple[str, bool]:
    """No change was found, and what would have been: a loss in the joint that was last pulled."""
    pulled = np.flatnonzero(np.isfinite(nest.worse[:, 0]))
    if not pulled.size:
        return say("No change found since its baseline."), True
    own = nest.joints[pulled] == nest.joints[pulled[-1]]
    baseline = nest.force_baselines[nest.joints[pulled[-1]]]
    loss = TOLD_LOSS * baseline.center / baseline.sigma / math.sqrt(factor)
    within = samples_to_find(loss, baseline.n + int(own.sum()), run_length)
    if within is None:
        rough = say(
            "No change found, but its pulls scatter too much, or its baseline is too short, for "
            "one of {loss} in force to be found for sure.",
            loss=TOLD,
        )
        return rough, False
    found = say(
        "No change found; one of {loss} in force would be found within about {within} samples.",
        loss=TOLD,
        within=within,
    )
    return found, True


def _days_unknown(sittings: NDArray[np.intp]) -> Iterator[str]:
    """The promise of few false alarms is lost while it is not known whether days are alike."""
    if (known := int(sittings[-1]) + 1) < FEWEST_SITTINGS:
        yield say(
            "Only {known} days are known: where days differ much, a good nest may be called worn.",
            known=known,
        )


def _strays(samples: Sequence[SampleRow], flag: StrayFlag) -> str:
    among = len(samples) - flag.began
    return say(
        "Stray weak crimps: about one in {about:.0f} since {began:%Y-%m-%d} ({strays} of {among} "
        "samples lie far from the others). Look at every crimp, and find what the weak ones have "
        "in common: nest, wire, connector or hands.",
        about=among / max(len(flag.strays), 1),
        began=samples[flag.began].at_utc,
        strays=len(flag.strays),
        among=among,
    )


def _worn(
    samples: Sequence[SampleRow],
    baselines: Sequence[tuple[Baseline, Baseline] | None],
    report: WearReport,
) -> str:
    change = report.change
    began, low, high = (
        f"{samples[position].at_utc:%Y-%m-%d}"
        for position in (change.began, change.began_low, change.began_high)
    )
    parts = (
        say(
            "Worn: {what} since about {began} ({low} to {high}); now {amounts}.",
            what=say(_WHAT[report.characteristic]),
            began=began,
            low=low,
            high=high,
            amounts=join(_amounts(samples, baselines, report), ", "),
        ),
        how_long(report),
        say("Take the tool out of use, look at the nest, and re-check its last samples."),
    )
    return join(part for part in parts if part is not None)


def _amounts(
    samples: Sequence[SampleRow],
    baselines: Sequence[tuple[Baseline, Baseline] | None],
    report: WearReport,
) -> Iterator[str]:
    """How much has changed, in what is measured, in the joint that was last pulled or measured."""
    weaker, higher = report.levels
    scored = [(row, pair) for row, pair in zip(samples, baselines, strict=True) if pair]
    if report.characteristic != "resistance" and weaker > 0.0:
        row, force = next((row, pair[0]) for row, pair in reversed(scored) if force_ratio(row))
        yield say(
            "about {force_n:.0f} N, {share:.0%}, weaker at {wires}",
            force_n=weaker * force.sigma * (row.pull_limit_n or 0.0),
            share=weaker * force.sigma / force.center,
            wires=" + ".join(row.wires),
        )
    if report.characteristic != "force" and higher > 0.0:
        row, log_ohm = next((row, pair[1]) for row, pair in reversed(scored) if row.splice_ohm)
        share = math.expm1(higher * log_ohm.sigma)
        yield say(
            "about {resistance}, {share:.0%}, more at {wires}",
            resistance=milliohm(math.exp(log_ohm.center) * share),
            share=share,
            wires=" + ".join(row.wires),
        )


def _shown(distances: NDArray[np.float64]) -> tuple[float | None, ...]:
    return tuple(None if math.isnan(value) else value for value in distances.tolist())


def force_ratio(row: SampleRow) -> float | None:
    """A sample's pull as force over limit; None where it has none."""
    if row.peak_n is None or not row.pull_limit_n:
        return None
    return row.peak_n / row.pull_limit_n


def log_resistance(row: SampleRow) -> float | None:
    """Natural logarithm of a sample's resistance in ohms; None where it has none."""
    return None if row.splice_ohm is None else math.log(max(row.splice_ohm, MIN_SPLICE_OHM))


def _usable(entry: BaselineSet) -> bool:
    return entry.n >= 2 and entry.force_ratio_sigma > 0.0 and entry.log_resistance_sigma > 0.0


def baselines_of(entry: BaselineSet) -> tuple[Baseline, Baseline]:
    """The baselines of force over limit and of the logarithm of resistance in ohms."""
    return (
        Baseline(entry.n, entry.force_ratio_center, entry.force_ratio_sigma),
        Baseline(entry.n, entry.log_resistance_center, entry.log_resistance_sigma),
    )


def _distances(
    force: Sequence[float | None],
    resistance: Sequence[float | None],
    joints: Sequence[str],
    known: Mapping[str, tuple[Baseline, Baseline]],
) -> NestDistances:
    """Distances from the recorded baselines, worse counted up; joints without one are NaN."""
    keys = [key for key in dict.fromkeys(joints) if key in known]
    worse: NDArray[np.float64] = np.full((len(joints), 2), np.nan)
    for place, key in enumerate(joints):
        pair = known.get(key)
        for column, (value, sign) in enumerate(((force[place], -1.0), (resistance[place], 1.0))):
            if pair is not None and value is not None:
                worse[place, column] = sign * pair[column].distance(value)
    index = np.array([keys.index(key) if key in known else 0 for key in joints], dtype=np.intp)
    return NestDistances(worse, index, tuple(known[key][0] for key in keys))
