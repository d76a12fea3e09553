"""Crimp heights of an open barrel, calm and wearing: ``python -m tests.benchmarks.heights``.

Heights are drawn as a shop reads them: a press scatters by 12 um from crimp to crimp, days differ
by 4 um, a reading by 5 um, and what is typed has a last digit of 10 um: invented, no source. Three
samples a day. The first 30 are the baseline.

Watched by a nest's own trend at the run length that ships. Printed is the share of calm nests
called worn within 300 samples, beside the promise; of dies that wear by 1 um a sample from the 60th
on, the share found before they grew by 0.05 mm, and the mean number of samples and the growth until
then; and of dies that jump by one deviation of what is read, the share found within as many samples
as `samples_to_find` promises for nine in ten.

Holds where calm nests are called worn at most half as often again as promised, and nine in ten of
the others are found, each by two standard errors.
"""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np

from station.settings import Settings
from station.shop.trend import nest_trend
from station.statistics.drift_study import DEFAULT_BASELINE
from station.statistics.wear_watch import samples_to_find
from tests.benchmarks.report import Figures, run
from tests.station.shop.test_trend import row

SEED = 20261128
NESTS = 600
CALM = 300
WEARS_FROM, WEAR_UM = 60, 1.0
A_DAY = 3
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


def measure(nests: int = NESTS) -> Figures:
    rng = np.random.default_rng(SEED)
    called = sum(signal(heights_um(rng, np.zeros(CALM))) is not None for _ in range(nests)) / nests
    promised = 1.0 - math.exp(-(CALM - DEFAULT_BASELINE) / RUN_LENGTH)
    wear_um = WEAR_UM * np.clip(np.arange(CALM) - WEARS_FROM + 1.0, 0.0, None)
    found = [signal(heights_um(rng, wear_um)) for _ in range(nests)]
    after = [place - WEARS_FROM + 1 for place in found if place is not None and place >= WEARS_FROM]
    soon = sum(count * WEAR_UM <= 50.0 for count in after) / nests
    within = samples_to_find(1.0, WEARS_FROM, RUN_LENGTH) or CALM
    jump_um = WHOLE_UM * (np.arange(WEARS_FROM + within) >= WEARS_FROM)
    jumps = sum(signal(heights_um(rng, jump_um)) is not None for _ in range(nests)) / nests
    error = 2.0 * math.sqrt(0.09 / nests)
    figures = {
        "calm_called_worn": called,
        "calm_promised": promised,
        "wearing_found_before_0_05_mm": soon,
        "wearing_mean_samples": float(np.mean(after)),
        "wearing_mean_growth_mm": float(np.mean(after)) * WEAR_UM * 1e-3,
        "jump_promised_within": within,
        "jumps_found_within": jumps,
    }
    calm = called <= 1.5 * promised + 2.0 * math.sqrt(promised / nests)
    return Figures("heights", figures, calm and soon >= 0.9 - error and jumps >= 0.9 - error)


if __name__ == "__main__":
    run(measure)
