"""Crimp heights of an open barrel, calm and wearing: ``python -m tests.benchmarks.heights``.

Heights are drawn as a shop reads them: a press scatters by 12 um from crimp to crimp, days differ
by 4 um, a reading by 5 um, and what is typed has a last digit of 10 um: invented, no source. Three
samples a day. The first 30 are the baseline.

Watched by a nest's own trend at the run length that ships. From 20 days on record it allows for
what the heights of one day have in common; printed is the share of calm nests first called worn
from there on, within 300 samples, beside the promise for so many, and the share called worn before,
in which days are taken as alike (and the page says so). Of nests not called worn before: of dies
that wear by 1 um a sample from the 60th on, the share found before they grew by 0.05 mm, and the
mean number of samples and the growth until then; of dies that jump by one deviation of what is
read, the share found within as many samples as the watch itself says at the 60th, and how many that
is. Where it says more than 120, or that such a jump may stay unseen, nothing is promised that could
be tried: their share is printed.

Holds where calm nests are called worn at most as often as promised, and nine in ten of the others
are found, each within two standard errors.
"""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np

from station.settings import Settings
from station.shop.trend import nest_trend
from station.statistics.drift_study import drift_study
from station.statistics.wear_watch import FEWEST_SITTINGS
from tests.benchmarks.report import Figures, run
from tests.station.shop.test_trend import row

SEED = 20261128
NESTS = 600
CALM = 300
CHANGES_AT, WEAR_UM = 60, 1.0
A_DAY = 3
MOST_TOLD = 120
KNOWN_FROM = FEWEST_SITTINGS * A_DAY
CRIMP_UM, DAY_UM, READ_UM, DIGIT_UM = 12.0, 4.0, 5.0, 10.0
WHOLE_UM = math.sqrt(CRIMP_UM**2 + DAY_UM**2 + READ_UM**2 + DIGIT_UM**2 / 12.0)
RUN_LENGTH = Settings().wear_watch_run_length


def heights_um(rng: np.random.Generator, moved_um: np.ndarray) -> np.ndarray:
    """Heights as they are typed, of a nest that is off by ``moved_um``."""
    n = moved_um.size
    day = rng.normal(0.0, DAY_UM, -(-n // A_DAY))[np.arange(n) // A_DAY]
    true_um = 1340.0 + day + rng.normal(0.0, CRIMP_UM, n) + moved_um
    read_um: np.ndarray = np.round((true_um + rng.normal(0.0, READ_UM, n)) / DIGIT_UM) * DIGIT_UM
    return read_um


def signal(heights: np.ndarray) -> int | None:
    """At which sample a nest's trend calls it worn."""
    first = row(0, "16 AWG", None, None)
    rows = [
        replace(
            first, begun_seq=place + 1, crimp_height_m=float(um) * 1e-6,
            at_utc=first.at_utc + timedelta(days=place // A_DAY),
        )
        for place, um in enumerate(heights)
    ]  # fmt: skip
    found = nest_trend("Wren", "blue", rows, {}, run_length=RUN_LENGTH)
    return None if found.flag is None else found.flag.signal_position


def told_within(heights: np.ndarray) -> int | None:
    """Samples within which the watch says, after these, that one deviation would be found."""
    days = [str(place // A_DAY) for place in range(heights.size)]
    study = drift_study(heights.tolist(), direction="up", run_length=RUN_LENGTH, days=days)
    return study.one_sigma_within


def after_change(heights: list[np.ndarray]) -> list[int | None]:
    """Samples from the change until each nest is called worn, None where it is not.

    Nests that were called worn before it are left out.
    """
    found = [signal(each) for each in heights]
    return [
        None if place is None else place - CHANGES_AT + 1
        for place in found
        if place is None or place >= CHANGES_AT
    ]


def measure(nests: int = NESTS) -> Figures:
    rng = np.random.default_rng(SEED)
    calm = [signal(heights_um(rng, np.zeros(CALM))) for _ in range(nests)]
    early = sum(place is not None and place < KNOWN_FROM for place in calm)
    called = sum(place is not None and place >= KNOWN_FROM for place in calm) / (nests - early)
    promised = 1.0 - math.exp(-(CALM - KNOWN_FROM) / RUN_LENGTH)
    wear_um = WEAR_UM * np.clip(np.arange(CALM) - CHANGES_AT + 1.0, 0.0, None)
    wearing = after_change([heights_um(rng, wear_um) for _ in range(nests)])
    found = [count for count in wearing if count is not None]
    soon = sum(count * WEAR_UM <= 50.0 for count in found) / len(wearing)
    jumping, within = [], []
    for _ in range(nests):
        heights = heights_um(rng, WHOLE_UM * (np.arange(CALM) >= CHANGES_AT))
        told = told_within(heights[:CHANGES_AT])
        if told is not None and told <= MOST_TOLD:
            within.append(told)
            jumping.append(heights[: CHANGES_AT + told])
    jumps = after_change(jumping)
    in_time = sum(count is not None for count in jumps) / len(jumps)
    figures = {
        "calm_called_worn": called,
        "calm_promised": promised,
        "calm_called_worn_in_the_first_20_days": early / nests,
        "wearing_found_before_0_05_mm": soon,
        "wearing_mean_samples": float(np.mean(found)),
        "wearing_mean_growth_mm": float(np.mean(found)) * WEAR_UM * 1e-3,
        "jumps_nothing_told": 1.0 - len(within) / nests,
        "jump_told_within_on_average": float(np.mean(within)),
        "jumps_found_within": in_time,
    }
    error = 2.0 * math.sqrt(0.09 / nests)
    holds = called <= promised + 2.0 * math.sqrt(promised / nests)
    return Figures("heights", figures, holds and min(soon, in_time) >= 0.9 - error)


if __name__ == "__main__":
    run(measure)
