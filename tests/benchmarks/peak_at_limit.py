"""Whether a peak exactly at its limit passes: ``python -m tests.benchmarks.peak_at_limit``.

A true peak of exactly the limit is seen by testers of 10 to 2000 samples a second, with noise of 0
to 1 % of the limit and last digits of 0 to 1 N: straight climbs, round tops and holds (flat, and
giving way by up to 2 %) with a fast and a slow break, and pulls of `tests.published.pulled_copper`,
which shares nothing with the station's simulator. A third of the testers have a filter, known to
the station, before their noise. A climb takes 0.5 to 10 s. In further cells the noise is smoothed
by the tester over 3 to 30 ms (time constant), so that neighbours are alike.

Holds when in every cell of noise, rate, digit, smoothing and top at most 5 % pass at the limit, and
at least 94 % of the intervals from the peak less 1.96 u to the peak and what it may be low by plus
1.96 u hold the true peak. Power: by how much the true peak must exceed its limit to pass in 95 %,
which at few samples a second is mostly what fell between two of them. Slower noise is a drift of
the tester, which no pull shows; what it does is told beside.
"""

from collections.abc import Callable, Mapping
from functools import partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from station.crimp.pull.reduce import reduce_trace
from tests.benchmarks.report import Figures, run
from tests.published import pulled_copper

Values = NDArray[np.float64]
Trace = tuple[Values, Values]

PULLS = 300
SEED = 20261128
RATES_HZ = (10.0, 50.0, 300.0, 2000.0)
NOISE_SHARES = (0.0, 0.002, 0.01)
DIGITS_N = (0.0, 0.1, 1.0)
SMOOTHED_S = (0.003, 0.01, 0.03)
DRIFTS_S = (0.1, 0.3)
"""Noise as slow as this is beyond what is promised."""


def _plain(top: str, slow: bool, rng: np.random.Generator) -> pulled_copper.Pull:
    """A top by formula; its travel is in seconds, its peak 1."""
    share = np.linspace(0.0, 1.0, 400)
    climb_s = _climb_s(rng)
    force = share
    if top == "round":
        force = 1.0 - (1.0 - share) ** rng.uniform(1.5, 4.0)
    time_s = share * climb_s
    if top == "held":
        held_s = np.linspace(0.0, rng.uniform(1.0, 10.0), 200)[1:]
        gives = rng.choice([0.0, 0.002, 0.02])
        time_s = np.append(time_s, climb_s + held_s)
        force = np.append(force, 1.0 - gives * (1.0 - np.exp(-held_s / 3.0)))
    breaks_s = climb_s * rng.uniform(0.05, 0.5) if slow else 1e-6
    time_s = np.append(time_s, time_s[-1] + breaks_s)
    return pulled_copper.Pull(18, time_s, np.append(force, 0.0))


def _climb_s(rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(np.log(0.5), np.log(10.0))))


def _copper(shape: str, rng: np.random.Generator) -> pulled_copper.Pull:
    drawn = pulled_copper.pull(shape, rng)
    to_top_mm = float(drawn.travel_mm[int(np.argmax(drawn.force_n))])
    scaled_s = drawn.travel_mm * (_climb_s(rng) / to_top_mm)
    kept = scaled_s < 30.0
    return pulled_copper.Pull(18, scaled_s[kept], drawn.force_n[kept] / drawn.peak_n)


Drawer = Callable[[np.random.Generator], pulled_copper.Pull]

TOPS: Mapping[str, Drawer] = {
    f"{top}, {'slow' if slow else 'fast'} break": partial(_plain, top, slow)
    for top, slow in product(("straight", "round", "held"), (False, True))
} | {f"copper, {shape}": partial(_copper, shape) for shape in pulled_copper.SHAPES}


def at_the_limit(
    draw: Drawer,
    rate_hz: float,
    noise: float,
    digit_n: float,
    rng: np.random.Generator,
    smoothed_s: float = 0.0,
) -> tuple[bool, bool, float, float]:
    """Pull once: passed, covered, what it lacked to pass, may be low by; shares of the limit."""
    limit_n = rng.uniform(60.0, 120.0)
    drawn = draw(rng)
    filter_hz = rate_hz * rng.uniform(0.1, 0.5) if rng.random() < 1.0 / 3.0 else None
    chain = pulled_copper.Chain(rate_hz, noise * limit_n, digit_n, filter_hz, smoothed_s)
    true = pulled_copper.Pull(18, drawn.travel_mm, drawn.force_n * limit_n)
    found = reduce_trace(*pulled_copper.seen(true, chain, 1.0, rng), filter_hz=filter_hz)
    least_n = found.peak_n - 1.645 * found.peak_u_n
    reach_n = 1.96 * found.peak_u_n
    most_n = found.peak_n + found.peak_may_be_low_by_n + reach_n
    covered = found.peak_n - reach_n <= limit_n <= most_n
    return (
        least_n >= limit_n,
        covered,
        limit_n / least_n - 1.0,
        found.peak_may_be_low_by_n / limit_n,
    )


def figures(pulls: int = PULLS, seed: int = SEED) -> Figures:
    """Every cell of the grid, in per cent."""
    cells: dict[str, dict[str, float]] = {}
    drifts: dict[str, dict[str, float]] = {}
    white = product(TOPS, RATES_HZ, NOISE_SHARES, DIGITS_N, (0.0,))
    # At ten samples a second neighbours are not alike by so little smoothing.
    smoothed = product(TOPS, RATES_HZ[1:], NOISE_SHARES[1:], (0.1,), SMOOTHED_S + DRIFTS_S)
    for number, (top, rate_hz, noise, digit_n, smoothed_s) in enumerate((*white, *smoothed)):
        rng = np.random.default_rng([seed, number])
        drawn = [
            at_the_limit(TOPS[top], rate_hz, noise, digit_n, rng, smoothed_s) for _ in range(pulls)
        ]
        seen = np.array(drawn).T
        name = f"{top}; {rate_hz:g}/s; noise {100 * noise:g} %; digit {digit_n:g} N"
        name += f"; smoothed {1000 * smoothed_s:g} ms" if smoothed_s else ""
        (drifts if smoothed_s in DRIFTS_S else cells)[name] = {
            "false pass %": 100.0 * float(seen[0].mean()),
            "covered %": 100.0 * float(seen[1].mean()),
            "excess that passes in 95 %": 100.0 * float(np.quantile(seen[2], 0.95)),
            "median may be low by %": 100.0 * float(np.median(seen[3])),
        }
    worst_pass = max(cell["false pass %"] for cell in cells.values())
    least_covered = min(cell["covered %"] for cell in cells.values())
    table: dict[str, object] = {
        "pulls at the limit": pulls * len(cells),
        "worst cell: false pass %": worst_pass,
        "worst cell: covered %": least_covered,
    }
    for drift_s in DRIFTS_S:
        slow = [cell for name, cell in drifts.items() if f"smoothed {1000 * drift_s:g} ms" in name]
        for what, worst in (("false pass %", max), ("covered %", min)):
            name = f"beyond the promise, smoothed {1000 * drift_s:g} ms, worst cell: {what}"
            table[name] = worst(cell[what] for cell in slow)
    for rate_hz, noise in product(RATES_HZ, NOISE_SHARES):
        of = [
            cell["excess that passes in 95 %"]
            for name, cell in cells.items()
            if name.endswith(f"; {rate_hz:g}/s; noise {100 * noise:g} %; digit 0.1 N")
        ]
        name = f"excess that passes in 95 %, % of the limit: {rate_hz:g}/s, noise {100 * noise:g} %"
        table[name] = float(np.median(of))
    return Figures(
        "peak_at_limit", table | {"cells": cells}, worst_pass <= 5.0 and least_covered >= 94.0
    )


if __name__ == "__main__":
    run(figures)
