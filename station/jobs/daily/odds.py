"""The operating characteristic of a daily check plan: simulated nests of known quality.

A nest has a baseline of 40 crimps and 90 more in which neither watch saw anything; its mean lies
:data:`MARGIN` deviations above the limit. Then something is true of it, and it is checked by the
rule itself, with the wear watch over all its samples.
"""

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from scipy.special import ndtri

from station.crimp.verdict import judge_at_least
from station.jobs.daily.judge import (
    JOB,
    CheckedNest,
    NestFinding,
    NestHistory,
    NestProgress,
    progress_of,
)
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.odds import JOINT, LIMIT_N, SPREAD_N, U_N, Population, simulated_pull
from station.ledger.entries import BaselineSet
from station.ledger.rows import SampleRow
from station.statistics.pooling import baseline_of
from station.statistics.wear_watch import DEFAULT_RUN_LENGTH

MARGIN = 5.0
LOG_OHM, LOG_OHM_SPREAD = math.log(2.5e-4), 0.06
BASELINE, BEFORE = 40, 90
CREEP_DAYS = 40

_START = datetime(2031, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class SimulatedNest:
    """What is true of a nest on the day of its check.

    Attributes
    ----------
    shift
        By how many deviations its force has fallen.
    stray
        Share of crimps that hold only 0.6 of the limit.
    voids
        Share of tests that the instruments call void.
    creeps
        True where the force fell little by little over :data:`CREEP_DAYS` days, checked on each.
    word_only
        True where the operator calls every crimp that fails void.
    """

    shift: float = 0.0
    stray: float = 0.0
    voids: float = 0.02
    creeps: bool = False
    word_only: bool = False


TO_FIVE_PERCENT = MARGIN - float(ndtri(0.95))
TO_TEN_PERCENT = MARGIN - float(ndtri(0.90))


def populations() -> list[Population[SimulatedNest]]:
    """Nests that are bad or sound; bad ones make crimps that do not hold."""
    return [
        ("broken today: half of its crimps fail", "bad", SimulatedNest(MARGIN)),
        ("fell today: 10 % of its crimps fail", "bad", SimulatedNest(TO_TEN_PERCENT)),
        ("fell today: 5 % of its crimps fail", "bad", SimulatedNest(TO_FIVE_PERCENT)),
        ("crept there: 5 % of its crimps fail", "bad", SimulatedNest(TO_FIVE_PERCENT, creeps=True)),
        ("20 % stray weak crimps, the rest strong", "bad", SimulatedNest(stray=0.20)),
        (
            "the same, the operator calls each failed one void",
            "bad",
            SimulatedNest(stray=0.20, word_only=True),
        ),
        ("5 % stray weak crimps, the rest strong", "bad", SimulatedNest(stray=0.05)),
        ("unchanged", "sound", SimulatedNest()),
        ("unchanged, 10 % of tests void", "sound", SimulatedNest(voids=0.10)),
        ("weaker by one deviation, all hold", "sound", SimulatedNest(1.0)),
    ]


def check(plan: DailyCheckPlan, nest: SimulatedNest, rng: np.random.Generator) -> NestFinding:
    """Check one simulated nest, and return what was found of it on the last day."""
    bench = _Bench.quiet(rng)
    if not nest.creeps:
        return bench.day(plan, nest)
    finding = NestFinding(None, "", 0, ())
    for day in range(1, CREEP_DAYS + 1):
        today = replace(nest, shift=nest.shift * day / CREEP_DAYS)
        finding = bench.day(plan, today)
        if finding.outcome == "held":
            break
    return finding


@dataclass
class _Bench:
    """A nest with its baseline and the samples so far."""

    rng: np.random.Generator
    baseline: BaselineSet
    rows: list[SampleRow] = field(default_factory=list)

    @classmethod
    def quiet(cls, rng: np.random.Generator) -> "_Bench":
        """A nest in whose history no watch saw anything: else it would have been serviced."""
        while True:
            bench = cls(rng, _baseline(rng))
            bench.rows = [bench.sample(SimulatedNest(voids=0.0)) for _ in range(BEFORE)]
            if not bench.progress(None).trend.flagged:
                return bench

    def day(self, plan: DailyCheckPlan, nest: SimulatedNest) -> NestFinding:
        """One check; samples are made until the plan wants no more."""
        start = len(self.rows)
        finding = self.progress(plan, start).finding
        while finding.outcome is None:
            # Nothing can be decided sooner than by a fail or a void too many, and those stay.
            for _ in range(finding.missing):
                self.rows.append(self.sample(nest))
            finding = self.progress(plan, start).finding
        return finding

    def progress(self, plan: DailyCheckPlan | None, start: int = 0) -> NestProgress:
        """What the check says of the samples from ``start`` on."""
        checked = CheckedNest("invented", "invented", start, start, DEFAULT_RUN_LENGTH, steady=True)
        history = NestHistory(self.rows, {JOINT.key: self.baseline})
        return progress_of(plan or _ANY_PLAN, checked, history)

    def sample(self, nest: SimulatedNest) -> SampleRow:
        """Crimp, measure and judge one sample."""
        peak_n = simulated_pull(MARGIN - nest.shift, nest.stray, self.rng)
        measured = judge_at_least(peak_n, U_N, LIMIT_N).verdict.value
        # Drawn in any case, so that nests of one seed differ in nothing but what they are.
        void_by = "instrument" if self.rng.random() < nest.voids else None
        if nest.word_only and measured == "fail":
            void_by = "person"
        ohm = math.exp(self.rng.normal(LOG_OHM, LOG_OHM_SPREAD))
        return _row(len(self.rows), peak_n, ohm, measured, void_by)


def _baseline(rng: np.random.Generator) -> BaselineSet:
    force = baseline_of((1.0 + MARGIN * SPREAD_N / LIMIT_N + rng.normal(
        0.0, SPREAD_N / LIMIT_N, BASELINE)).tolist())  # fmt: skip
    resistance = baseline_of(rng.normal(LOG_OHM, LOG_OHM_SPREAD, BASELINE).tolist())
    return BaselineSet(
        joint=JOINT, baseline_version=1, n=BASELINE, sample_ids=(),
        force_ratio_center=force.center, force_ratio_sigma=force.sigma,
        log_resistance_center=resistance.center, log_resistance_sigma=resistance.sigma,
    )  # fmt: skip


def _row(place: int, peak_n: float, ohm: float, measured: str, void_by: str | None) -> SampleRow:
    return SampleRow(
        begun_seq=place + 1, finished_seq=place + 1, sample_id=str(place),
        at_utc=_START + timedelta(hours=place), person="invented", job=JOB,
        connector=JOINT.connector, wires=JOINT.wires, material=JOINT.material, tool=JOINT.tool,
        nest=JOINT.nest, joint_key=JOINT.key, limit_set="invented", limit_standing="invented",
        verdict=measured if void_by is None else "void", void_reason=None, splice_ohm=ohm,
        splice_u_ohm=None, peak_n=peak_n, peak_u_n=U_N, pull_limit_n=LIMIT_N, failure_mode=None,
        trace_sha256=None, demo=True, simulated=True, replaces=None, meter=None, tester=None,
        void_by=void_by, measured_verdict=measured,
    )  # fmt: skip


_ANY_PLAN = DailyCheckPlan(
    id="any", job="daily_check", title="", standing="", reasoning=(), first_stage=1, second_stage=0
)
"""For looking at a trend alone."""
