"""The mixtures that the station uses, with the thresholds for every run length.

Shifts and weights were found over simulated delays at an in-control run length of 930 (changes of
0.5 to 2 standard deviations, known baseline). For force and resistance: least worst ratio to the
delay of the cumulative sum that knows the change, where no usual chart may be faster by 3 %
(``tests/benchmarks/wear_watch_search.py`` does the same search; the figures here are from a longer
one with a faster simulation). More than two shifts per direction gained nothing. The mixtures for
one characteristic: least worst ratio. ``python -m tests.benchmarks.detection`` measures what came
of it; ``python -m tests.benchmarks.wear_watch_tables`` makes the run lengths below anew.

The ratios of 1.25 and 1.20 are met for a change at the first sample with the sums at rest (1.239,
median 1.141). They are not met where every sum stands at zero (1.335, median 1.217), nor after 100
good samples against the bound's own sum after as many (1.339, median 1.215; there too no usual
chart is faster by 3 %). Tried against that, each searched for the least worst ratio from zero by a
quick simulation (worst, median): four shifts per direction (1.264, 1.227), three with a power on
the sums between mixture and bank (1.276, 1.218), two with shifts of their own for both (1.290,
1.227), sums of Shiryaev-Roberts in place of cumulative ones (1.323, 1.275). None meets both, and
the best of them let a usual chart be faster by 5 %. With the usual charts held to 3 %, three shifts
brought 1.226 and 1.139 at the first sample and 1.316 and 1.189 later: not worth new thresholds.
"""

import math

from station.statistics.mixture import Mixture

_HALF = math.sqrt(0.5)

THRESHOLDS = tuple(1.0 + 0.5 * step for step in range(23))
"""In nats; the run lengths below stand at these."""

PAIR = Mixture(
    name="mixture of six cumulative sums",
    directions=((1.0, 0.0), (1.0, 0.0), (0.0, 1.0), (0.0, 1.0), (_HALF, _HALF), (_HALF, _HALF)),
    shifts=(0.49, 1.16, 0.49, 1.16, 0.49, 1.16),
    weights=(0.194, 0.211, 0.194, 0.211, 0.054, 0.136),
    thresholds=THRESHOLDS,
    run_lengths=(
        9.5,
        21.4,
        42.4,
        77.8,
        137.3,
        236.0,
        400.0,
        670.7,
        1120.0,
        1886.0,
        3095.0,
        5089.0,
        8397.0,
        13_920.0,
        22_990.0,
        37_970.0,
        62_700.0,
        103_500.0,
        171_000.0,
        282_400.0,
        466_300.0,
        770_000.0,
        1_271_000.0,
    ),
)
"""Force and resistance: either of them alone, or both alike."""

ONE_WAY = Mixture(
    name="mixture of two cumulative sums",
    directions=((1.0,), (1.0,)),
    shifts=(0.48, 1.76),
    weights=(0.67, 0.33),
    thresholds=THRESHOLDS,
    run_lengths=(
        12.3,
        25.8,
        49.5,
        90.2,
        158.8,
        273.3,
        462.9,
        784.0,
        1310.0,
        2169.0,
        3633.0,
        5923.0,
        9807.0,
        16_220.0,
        26_740.0,
        44_100.0,
        72_730.0,
        119_900.0,
        197_800.0,
        326_100.0,
        537_800.0,
        886_800.0,
        1_462_000.0,
    ),
)
"""One characteristic, in its bad direction."""

TWO_WAY = Mixture(
    name="mixture of four cumulative sums",
    directions=((1.0,), (1.0,), (-1.0,), (-1.0,)),
    shifts=(0.46, 1.6, 0.46, 1.6),
    weights=(0.385, 0.115, 0.385, 0.115),
    thresholds=THRESHOLDS,
    run_lengths=(
        11.8,
        29.0,
        58.6,
        108.4,
        190.2,
        328.8,
        555.8,
        928.7,
        1548.0,
        2558.0,
        4260.0,
        7067.0,
        11_650.0,
        19_210.0,
        31_740.0,
        52_430.0,
        86_600.0,
        143_000.0,
        236_300.0,
        390_300.0,
        644_600.0,
        1_065_000.0,
        1_759_000.0,
    ),
)
"""One characteristic, in either direction."""
