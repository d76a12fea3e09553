"""What a daily check plan lets through: bad crimps that left the shop before a nest was found.

A nest is long steady when something happens to it, in the middle of a day's work. From the next day
on it is checked before work, by the rule itself, until a check holds it or a watch for wear or
strays names it. Bad are crimps that do not hold the limit, as many of a day's as the state of the
nest says.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from station.crimp.verdict import judge_at_least
from station.jobs.daily.judge import NestEvidence, judge, plan_for_steady
from station.jobs.daily.odds import BASELINE, BEFORE, MARGIN, TO_TEN_PERCENT
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.odds import LIMIT_N, READING_NOISE_N, SPREAD_N, U_N
from station.statistics.stray_watch import watch_strays
from station.statistics.wear_watch import Values, watch_nest

WORK_DAYS = 250
"""Of a year."""

HAPPENINGS = (
    ("breaks: half of its crimps fail", MARGIN, 0.0, 0.0),
    ("falls: 10 % of its crimps fail", TO_TEN_PERCENT, 0.0, 0.0),
    ("wears, by a deviation in 20 days", 0.0, 0.05, 0.0),
    ("makes one stray weak crimp in 5", 0.0, 0.0, 0.2),
    ("makes one stray weak crimp in 10", 0.0, 0.0, 0.1),
    ("makes one stray weak crimp in 20", 0.0, 0.0, 0.05),
)
"""What happens to a nest: words, deviations fallen at once and each day, share of strays."""


def run_checks(
    plan: DailyCheckPlan, force_n: Values, worse: Values, before: Values, *,
    baseline: float, good_checks: int,
) -> tuple[int | None, int]:  # fmt: skip
    """Check a nest once a day: the day that found it, None where none did, and crimps taken.

    Parameters
    ----------
    force_n, worse
        Shape (days, samples) and (days, samples, 2): what would be measured of a day's samples, in
        newton and in deviations from the baseline, worse counted up.
    before
        Shape (n, 2): samples since its last service.
    good_checks
        Checks in a row that released it.
    """
    taken: list[Values] = [before]
    day_of = [-1] * len(before)
    held = None
    for day in range(len(force_n)):
        steady = plan.steady is not None and good_checks >= plan.steady.after_checks
        made, outcome = _check(plan, force_n[day], worse[day].max(axis=1), steady=steady)
        taken.append(worse[day, :made])
        day_of += [day] * made
        good_checks = good_checks + 1 if outcome == "released" else 0
        if outcome == "held":
            held = day
            break
    signals = _signals(np.concatenate(taken), baseline)
    days = [max(day_of[position], 0) for position in signals]
    days += [] if held is None else [held]
    found = min(days) if days else None
    until = len(force_n) if found is None else found
    return found, sum(0 <= day <= until for day in day_of)


def _signals(values: Values, baseline: float) -> list[int]:
    """Positions at which the watches for wear and for strays signal."""
    joints: NDArray[np.intp] = np.zeros(len(values), dtype=np.intp)
    flags = [watch(values, joints, [baseline]) for watch in (watch_nest, watch_strays)]
    return [flag.signal_position for flag in flags if flag is not None]


def _check(
    plan: DailyCheckPlan, force_n: Values, worst: Values, *, steady: bool
) -> tuple[int, str]:
    """Samples that one check takes, and its outcome."""
    verdicts: list[str] = []
    oddest = -np.inf
    while True:
        asked = plan_for_steady(plan, oddest) if steady else plan
        finding = judge(asked, NestEvidence(tuple(verdicts)))
        if finding.outcome is not None:
            return len(verdicts), finding.outcome
        for place in range(len(verdicts), len(verdicts) + finding.missing):
            verdicts.append(judge_at_least(float(force_n[place]), U_N, LIMIT_N).verdict.value)
            oddest = max(oddest, float(worst[place]))


def let_through(
    plan: DailyCheckPlan, crimps_a_day: float, *, tries: int, seed: int = 1
) -> dict[str, Any]:
    """What leaves the shop in each happening, and what the checks of a sound nest cost: a document.

    ``bad_crimps`` and ``days`` (of work) are means before the nest was found, ``nine_in_ten`` what
    nine nests in ten stay below; one not found within a year counts as found then.
    """
    found = []
    for place, (words, at_once, each_day, stray) in enumerate(HAPPENINGS):
        rng = np.random.default_rng([seed, place])
        fallen = at_once + each_day * np.arange(WORK_DAYS + 1.0)
        share = 1.0 - (1.0 - stray) * ndtr(MARGIN - fallen)
        # The half day in which it happened, and then every day whose check did not find it.
        gone = crimps_a_day * np.cumsum(np.concatenate([[share[0] / 2.0], share[1:]]))
        days = np.array([_tried(plan, fallen[1:], stray, rng)[0] for _ in range(tries)], float)
        days = np.nan_to_num(days, nan=WORK_DAYS)
        bad = gone[days.astype(np.intp)]
        figures = (float(bad.mean()), float(np.quantile(bad, 0.9)), float(days.mean()))
        named = zip(("bad_crimps", "nine_in_ten", "days"), figures, strict=True)
        found.append({"happening": words, **dict(named)})
    rng = np.random.default_rng([seed, 99])
    calm = [_tried(plan, np.zeros(40), 0.0, rng) for _ in range(max(tries // 4, 10))]
    checks = sum(40 if day is None else day + 1 for day, _ in calm)
    cost = sum(samples for _, samples in calm) / checks / plan.every_days
    head = {"plan": plan.id, "crimps_a_day": crimps_a_day}
    return head | {"checks_take_a_year": cost * WORK_DAYS, "happenings": found}


def _tried(
    plan: DailyCheckPlan, fallen: Values, stray: float, rng: np.random.Generator
) -> tuple[int | None, int]:
    most = plan.first_stage + plan.second_stage
    shape = (len(fallen), most)
    force = rng.normal(-fallen[:, None], 1.0, shape)
    weak = (0.6 * LIMIT_N - LIMIT_N) / SPREAD_N - MARGIN
    force = np.where(rng.random(shape) < stray, weak, force)
    force_n = LIMIT_N + SPREAD_N * (MARGIN + force) + rng.normal(0.0, READING_NOISE_N, shape)
    worse = np.stack([-force, rng.standard_normal(shape)], axis=2)
    while True:
        known, before = rng.standard_normal((BASELINE, 2)), rng.standard_normal((BEFORE, 2))
        center, spread = known.mean(axis=0), known.std(axis=0, ddof=1)
        before = (before - center) / spread
        # One that was named before would have been serviced.
        if not _signals(before, BASELINE):
            break
    steady = 0 if plan.steady is None else plan.steady.after_checks
    return run_checks(
        plan, force_n, (worse - center) / spread, before, baseline=BASELINE, good_checks=steady
    )  # fmt: skip


def let_through_lines(document: dict[str, Any]) -> list[str]:
    """A table, one line per happening."""
    width = max(len(one["happening"]) for one in document["happenings"])
    return [
        f"{document['plan']}, a nest of {document['crimps_a_day']:g} crimps a day: its checks take "
        f"{document['checks_take_a_year']:.0f} crimps in {WORK_DAYS} days.",
        "Bad crimps that left before it was found, when it",
        *(
            f"  {one['happening']:<{width}}  {one['bad_crimps']:5.1f} "
            f"(nine nests in ten: at most {one['nine_in_ten']:.0f}), in {one['days']:.1f} days"
            for one in document["happenings"]
        ),
    ]
