"""What a trace's shape is taken for: ``python -m tests.benchmarks.told_by_shape``.

Pulls of `tests.published.pulled_copper`, which shares no code and no parameter with the station's
simulator, at 25 to 250 mm/min and at most 15 s to the top, seen at 10 to 2000 samples a second with
noise of 0.02 to 1 % of the peak, digits of 0 to 0.5 % and, for a third, a filter. The thresholds
of `station.crimp.pull.modes` were set by reasoning, on `tests.benchmarks.drawn_pulls` and on 150
pulls of each shape of this world's seed 7; they are measured here on another seed.

Each shape is right, wrong, or cannot be told. Where the strands broke cannot be seen in a force, so
that "broke at the edge" is right for strands cut at the edge only, "broke in the barrel" only for
strands that went in turn. Slips in the grips lose 10 to 50 % of the force, once, on the climb of a
pull that then breaks at the edge or in the free wire; rates of asking are told, none is promised.

Holds when at most 5 % of every shape are told wrong, and at most 1 in 200 good pulls is asked about
or void for a slip.
"""

from collections import Counter

import numpy as np

from station.crimp.pull.reduce import PullReduction, reduce_trace
from station.crimp.wire import awg
from tests.benchmarks.report import Figures, run
from tests.published import pulled_copper

PULLS = 1500
SEED = 771199
RIGHT = {
    "free wire": "broke_in_wire",
    "edge": "broke_at_edge",
    "strands in turn": "broke_in_barrel",
    "smooth pull-out": "drawn_out",
    "sticking pull-out": "drawn_out",
}
SLIPS = (0.1, 0.15, 0.2, 0.3, 0.5)


def read(shape: str, lost: float, rng: np.random.Generator) -> PullReduction:
    """Draw a pull, let its grips slip where ``lost``, a share of the force, is above 0; read it."""
    drawn = pulled_copper.pull(shape, rng)
    if lost > 0.0:
        drawn = pulled_copper.slipped(drawn, lost, rng)
    to_top_mm = float(drawn.travel_mm[int(np.argmax(drawn.force_n))])
    speed = max(float(np.exp(rng.uniform(np.log(25.0), np.log(250.0)))) / 60.0, to_top_mm / 15.0)
    rate_hz = float(np.exp(rng.uniform(np.log(10.0), np.log(2000.0))))
    filter_hz = rate_hz * rng.uniform(0.1, 0.5) if rng.random() < 1.0 / 3.0 else None
    chain = pulled_copper.Chain(
        rate_hz,
        drawn.peak_n * float(np.exp(rng.uniform(np.log(2e-4), np.log(1e-2)))),
        drawn.peak_n * float(rng.choice([0.0, 1e-4, 1e-3, 5e-3])),
        filter_hz,
    )
    time_s, force = pulled_copper.seen(drawn, chain, speed, rng)
    kept = slice(0, 60_000)
    return reduce_trace(time_s[kept], force[kept], filter_hz=filter_hz, wire=awg(drawn.gauge))


def figures(pulls: int = PULLS, seed: int = SEED) -> Figures:
    """Right, wrong and cannot tell by shape, and how often a slip is asked about, in per cent."""
    table: dict[str, object] = {"pulls of each shape": pulls}
    worst, asked = 0.0, 0
    for place, (shape, right) in enumerate(RIGHT.items()):
        found = [read(shape, 0.0, np.random.default_rng([seed, place, n])) for n in range(pulls)]
        told = Counter(one.suggested_mode or "cannot tell" for one in found)
        wrong = 100.0 * (pulls - told[right] - told["cannot tell"]) / pulls
        worst = max(worst, wrong)
        asked += sum(one.may_have_slipped for one in found)
        table[f"{shape}: right %"] = 100.0 * told[right] / pulls
        table[f"{shape}: wrong %"] = wrong
        table[f"{shape}: cannot tell %"] = 100.0 * told["cannot tell"] / pulls
    table["good pulls asked about a slip %"] = 100.0 * asked / (pulls * len(RIGHT))
    for lost in SLIPS:
        found = [
            read(("free wire", "edge")[n % 2], lost, np.random.default_rng([seed, 9, n]))
            for n in range(pulls)
        ]
        name = f"slip of {100 * lost:g} %"
        table[f"{name}: asked about %"] = 100.0 * np.mean([one.may_have_slipped for one in found])
        void = [one.suggested_mode == "grip_slip" for one in found]
        table[f"{name}: void %"] = 100.0 * float(np.mean(void))
    holds = worst <= 5.0 and 200 * asked <= pulls * len(RIGHT)
    return Figures("told_by_shape", table, holds)


if __name__ == "__main__":
    run(figures)
