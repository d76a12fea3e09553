"""What the lean daily plan lets through beside the usual one: ``python -m
tests.benchmarks.lean_plan``.

Invented shops of nine nests make 200 crimps a day in 250 working days. In every nest something
happens about twice a year, one time in two wear, else a break or strays, in the middle of a day:
wear by 0.01 to 0.2 deviations a day; a break by 0.5 to 1.3 of the way to the limit; one stray in 33
to one in 3, which hold 0.4 to 1.1 of the limit. Nests differ: their mean lies 3.5 to 7 deviations
above the limit, deviations are 4 to 14 % of it, baselines are of 20, 30 or 100 crimps, days differ
by up to 0.3 deviations, half of the nests have tails as Student's t with 8 degrees of freedom, and
resistance rises by 0 to 1.2 of what force loses. A nest that is found, or falsely so, is serviced
and has a new baseline. Both plans are run over the same shops, by the rule itself and both watches.

Printed per shop and year: bad crimps that left the shop, by what had happened; crimps that the
checks took; nests found, and found with nothing wrong. The intervals of the ratios are by
resampling shops.

Holds where with the lean plan at most a tenth more bad crimps leave for wear and breaks together,
with at most 60 % of the crimps. For wear alone, which lets few through, and for strays the price is
printed."""

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from station.jobs.daily.let_through import WORK_DAYS, run_checks
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.odds import LIMIT_N, READING_NOISE_N
from station.jobs.plans import load_plans
from tests.benchmarks.report import Figures, run

SEED = 20261130
SHOPS = 150
NESTS, CRIMPS_A_DAY = 9, 200
MEAN_WAIT = 125.0
KINDS = ("wear", "break", "strays")
SHARES = (0.5, 0.25, 0.25)
DOF = 8.0
PLANS = ("daily-check", "daily-check-lean")
TOGETHER = "wear and breaks"
COUNTS = (*KINDS, TOGETHER, "crimps", "found", "nothing wrong")


@dataclass(frozen=True)
class Trouble:
    """What happens to a nest, and from when on.

    Attributes
    ----------
    onset
        Day and part of it, from the nest's last service.
    shift
        Shape (days,): deviations fallen at the check of each day.
    share
        Shape (days,): share of strays at the check of each day.
    """

    kind: str
    onset: float
    shift: np.ndarray
    share: np.ndarray


def trouble(days: int, margin: float, rng: np.random.Generator) -> Trouble:
    """Draw what happens next."""
    kind = KINDS[int(rng.choice(len(KINDS), p=SHARES))]
    onset = float(rng.exponential(MEAN_WAIT))
    rate, depth = np.exp(rng.uniform(np.log(0.01), np.log(0.2))), rng.uniform(0.5, 1.3) * margin
    share = float(np.exp(rng.uniform(np.log(0.03), np.log(1.0 / 3.0))))
    since = np.maximum(np.arange(days) - onset, 0.0)
    hit = since > 0.0
    shift = rate * since if kind == "wear" else hit * depth * (kind == "break")
    return Trouble(kind, onset, shift, hit * share * (kind == "strays"))


def stretch(
    plan: DailyCheckPlan, days: int, nest: np.random.Generator, rng: np.random.Generator
) -> tuple[int, int, str, float, bool]:
    """From a service to the next: days, crimps taken, what happened, bad crimps, whether found."""
    margin, spread_n = nest.uniform(3.5, 7.0), nest.uniform(0.04, 0.14) * LIMIT_N
    size, alike = int(nest.choice([20, 30, 100])), nest.uniform(0.0, 0.3)
    tailed, rise = bool(nest.random() < 0.5), nest.uniform(0.0, 1.2)
    happens = trouble(days, margin, rng)

    def drawn(shape: tuple[int, ...]) -> np.ndarray:
        if tailed:
            return np.asarray(rng.standard_t(DOF, shape) / np.sqrt(DOF / (DOF - 2.0)))
        return rng.standard_normal(shape)

    most = plan.first_stage + plan.second_stage
    made = drawn((days, most, 2)) + alike * rng.standard_normal((days, 1, 2))
    made[:, :, 0] += happens.shift[:, None]
    made[:, :, 1] += rise * happens.shift[:, None]
    stray = rng.random((days, most)) < happens.share[:, None]
    weak = margin + (1.0 - rng.uniform(0.4, 1.1, (days, most))) * LIMIT_N / spread_n
    made[:, :, 0] = np.where(stray, weak, made[:, :, 0])
    made[:, :, 1] += stray * rng.uniform(0.0, 5.0, (days, most))
    force_n = LIMIT_N + spread_n * (margin - made[:, :, 0])
    force_n += rng.normal(0.0, READING_NOISE_N, force_n.shape)
    known = drawn((size, 2))
    worse = (made - known.mean(axis=0)) / known.std(axis=0, ddof=1)
    none = np.empty((0, 2))
    found, crimps = run_checks(plan, force_n, worse, none, baseline=size, good_checks=0)
    lasted = days if found is None else found
    far = margin - happens.shift
    bad = stdtr(DOF, -far * np.sqrt(DOF / (DOF - 2.0))) if tailed else stdtr(1e9, -far)
    bad = (1.0 - happens.share) * bad + happens.share * (0.6 / 0.7)
    # The part of its first day, by the state of the next morning, then whole days.
    worked = np.clip(np.arange(days) + 1.0 - happens.onset, 0.0, 1.0)
    state = np.append(bad[1:], bad[-1:])
    gone = float(np.sum((worked * np.where(worked < 1.0, state, bad))[:lasted]))
    real = found is not None and found > happens.onset
    return lasted, crimps, happens.kind, gone * CRIMPS_A_DAY / NESTS, real


def year(plan: DailyCheckPlan, shop: int) -> dict[str, float]:
    """One shop's year."""
    counts = dict.fromkeys(COUNTS, 0.0)
    for nest in range(NESTS):
        day, part = 0, 0
        while day < WORK_DAYS:
            own = np.random.default_rng([SEED, shop, nest])
            rng = np.random.default_rng([SEED, shop, nest, part])
            lasted, crimps, kind, bad, real = stretch(plan, WORK_DAYS - day, own, rng)
            counts["crimps"] += crimps
            counts[kind] += bad
            counts[TOGETHER] += bad * (kind != "strays")
            ended = day + lasted < WORK_DAYS
            counts["found"] += ended and real
            counts["nothing wrong"] += ended and not real
            day, part = day + max(lasted, 1), part + 1
    return counts


def figures(shops: int = SHOPS) -> Figures:
    """Run both plans over the same shops."""
    plans = load_plans()
    made = {}
    for name in PLANS:
        plan = plans[name]
        assert isinstance(plan, DailyCheckPlan)
        years = [year(plan, shop) for shop in range(shops)]
        made[name] = {count: np.array([one[count] for one in years]) for count in COUNTS}
    table: dict[str, object] = {}
    usual, lean = (made[name] for name in PLANS)
    again = np.random.default_rng(SEED).integers(shops, size=(2_000, shops))
    holds = True
    for count in COUNTS:
        words = f"bad crimps of {count}" if count in (*KINDS, TOGETHER) else count
        ratios = lean[count][again].sum(axis=1) / np.maximum(usual[count][again].sum(axis=1), 1e-9)
        ratio = float(lean[count].sum() / usual[count].sum())
        low, high = np.quantile(ratios, (0.025, 0.975))
        table[words] = (
            f"{usual[count].mean():.1f} usual, {lean[count].mean():.1f} lean: "
            f"{ratio:.2f} times ({low:.2f} to {high:.2f})"
        )
        holds &= ratio <= {TOGETHER: 1.1, "crimps": 0.6}.get(count, np.inf)
    return Figures("lean_plan", table, bool(holds))


if __name__ == "__main__":
    run(figures)
