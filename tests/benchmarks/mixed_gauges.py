"""Mixed gauges in one nest, wearing from day 60: ``python -m tests.benchmarks.mixed_gauges``.

An invented nest crimps two samples a day for 120 days, each of one of three gauges at random. Every
gauge has its own force, resistance and spread, and a baseline of 40 samples. From day 60 on the
nest wears: pull force falls and resistance rises, by so little a sample that no single gauge shows
it soon. One pooled chart is compared with one chart per gauge; both use the wear
watch and give one false alarm in 5000 samples of the nest. A second nest does not wear.

Printed are the days on which each signals, for one seeded run and as medians over many. Holds where
the pooled chart signals after day 60 in the seeded run, before any of the charts per gauge, and in
the median as well, and flags the good nest in no more of the runs than its setting allows.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from station.statistics.pooling import Baseline, baseline_of
from station.statistics.wear_watch import WearFlag, watch_nest
from tests.benchmarks.report import Figures, run

SEED = 20261125
RUNS = 200
DAYS = 120
WEAR_BEGINS = 60
PER_DAY = 2
BASELINE = 40
RUN_LENGTH = 5_000.0
SLOPE = 0.03
"""Wear per sample, in standard deviations along force and resistance together."""

GAUGES = {"22 AWG": (2.1, 0.08, -8.0), "20 AWG": (1.8, 0.10, -8.15), "18 AWG": (1.5, 0.06, -8.3)}
"""Invented: force over limit, its deviation, logarithm of the resistance in ohms."""
RESISTANCE_SPREAD = 0.06


@dataclass(frozen=True)
class Nest:
    """Samples of a nest in time order with the baselines of its gauges."""

    gauges: list[str]
    force: list[float]
    resistance: list[float]
    force_baselines: dict[str, Baseline]
    resistance_baselines: dict[str, Baseline]

    def watch(self) -> WearFlag | None:
        """Run the pooled chart."""
        names = list(GAUGES)
        worse = [
            (-self.force_baselines[name].distance(f), self.resistance_baselines[name].distance(r))
            for name, f, r in zip(self.gauges, self.force, self.resistance, strict=True)
        ]
        joints = [names.index(name) for name in self.gauges]
        return watch_nest(np.array(worse), joints, [BASELINE] * len(names), run_length=RUN_LENGTH)

    def only(self, gauge: str) -> tuple["Nest", list[int]]:
        """One gauge's samples, and where they stand among all."""
        places = [place for place, own in enumerate(self.gauges) if own == gauge]
        part = Nest(
            [gauge] * len(places),
            [self.force[place] for place in places],
            [self.resistance[place] for place in places],
            self.force_baselines,
            self.resistance_baselines,
        )
        return part, places


def draw_nest(rng: np.random.Generator, *, wearing: bool) -> Nest:
    """Invent a nest."""
    names = list(GAUGES)
    gauges = [names[int(choice)] for choice in rng.integers(len(names), size=DAYS * PER_DAY)]
    begin = WEAR_BEGINS * PER_DAY
    force: list[float] = []
    resistance: list[float] = []
    for place, gauge in enumerate(gauges):
        center, spread, log_ohm = GAUGES[gauge]
        wear = SLOPE * max(0, place - begin + 1) / math.sqrt(2.0) if wearing else 0.0
        force.append(center + spread * float(rng.normal() - wear))
        resistance.append(log_ohm + RESISTANCE_SPREAD * float(rng.normal() + wear))
    baselines = {
        gauge: (
            baseline_of(rng.normal(center, spread, BASELINE).tolist()),
            baseline_of(rng.normal(log_ohm, RESISTANCE_SPREAD, BASELINE).tolist()),
        )
        for gauge, (center, spread, log_ohm) in GAUGES.items()
    }
    return Nest(
        gauges,
        force,
        resistance,
        {gauge: pair[0] for gauge, pair in baselines.items()},
        {gauge: pair[1] for gauge, pair in baselines.items()},
    )


def signal_day(position: int | None) -> float:
    """Day of a sample, from 0; infinite where there is none."""
    return math.inf if position is None else position / PER_DAY


def days_of(nest: Nest) -> dict[str, float]:
    """Days on which the pooled chart and each gauge's own chart signal."""
    flag = nest.watch()
    days = {"pooled": signal_day(None if flag is None else flag.signal_position)}
    for gauge in GAUGES:
        part, places = nest.only(gauge)
        own = part.watch()
        days[gauge] = signal_day(None if own is None else places[own.signal_position])
    return days


def figures() -> Figures:
    """Watch one seeded nest, then many."""
    first = days_of(draw_nest(np.random.default_rng(SEED), wearing=True))
    rng = np.random.default_rng(SEED + 1)
    many = [days_of(draw_nest(rng, wearing=True)) for _ in range(RUNS)]
    # Charts that cried wolf before the wear began do not count as having found it.
    pooled = [days["pooled"] for days in many if min(days.values()) >= WEAR_BEGINS]
    single = [
        min(days[gauge] for gauge in GAUGES) for days in many if min(days.values()) >= WEAR_BEGINS
    ]
    good = [draw_nest(rng, wearing=False).watch() is not None for _ in range(RUNS)]
    allowed = 1.0 - math.exp(-DAYS * PER_DAY / RUN_LENGTH)
    slack = 3.0 * math.sqrt(allowed * (1.0 - allowed) / RUNS)
    table: dict[str, Any] = {
        "wear begins on day": WEAR_BEGINS,
        "pooled chart signals on day": shown(first["pooled"]),
        **{f"chart of {gauge} alone signals on day": shown(first[gauge]) for gauge in GAUGES},
        f"median over {RUNS} runs: pooled": float(np.median(pooled)),
        f"median over {RUNS} runs: first of the charts per gauge": float(np.median(single)),
        "pooled chart first, % of runs": 100.0
        * float(np.mean([a < b for a, b in zip(pooled, single, strict=True)])),
        "good nest flagged, % of runs": 100.0 * float(np.mean(good)),
        "good nest flagged, % promised": 100.0 * allowed,
    }
    holds = (
        WEAR_BEGINS <= first["pooled"] < min(first[gauge] for gauge in GAUGES)
        and float(np.median(pooled)) < float(np.median(single))
        and float(np.mean(good)) <= allowed + slack
    )
    return Figures("mixed_gauges", table, holds)


def shown(day: float) -> float | str:
    """A day, or that there was none."""
    return "never" if math.isinf(day) else day


if __name__ == "__main__":
    run(figures)
