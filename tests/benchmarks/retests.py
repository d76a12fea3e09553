"""An operator who re-tests until it passes, against the station itself.

Two shops get nests of the same true quality, crimp for crimp. In one the operator does as the plan
says. In the other the same book of jobs faces an operator who wants the nest released and tries
everything: makes samples before the check begins, ends a check that is in doubt and starts another,
says that each weak sample slipped or gives it up, leaves samples unfinished before and during the
pull, has weak ones corrected to void, and comes back the next day. What cannot be had is a lead.
"""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from station.crimp.in_force import LimitsInForce
from station.crimp.verdict import judge_at_least
from station.errors import BadInput, NestOnHold
from station.jobs.daily.odds import MARGIN
from station.jobs.odds import LIMIT_N, READING_NOISE_N, SPREAD_N, U_N, ErrorRate, error_rate
from station.jobs.open_jobs import OpenJobs
from station.jobs.sample_order import SampleOrder
from station.ledger.chain import Moment
from station.ledger.entries import (
    BaselineSet,
    Correction,
    CriterionResult,
    Joint,
    PersonAdded,
    PullBegun,
    PullResult,
    SampleBegun,
    SampleFinished,
    ToolAdded,
)
from station.ledger.store import Ledger
from station.settings import Settings
from tests.station.ledger.invented_entries import PULL

OPERATOR = "Bo Invented"
NESTS_AT_ONCE = 50
STOP_AFTER = 40
"""Tries before even this operator gives up."""

Policy = Callable[["Hands"], bool]


@dataclass
class Hands:
    """Crimps, and what an operator can do with a crimp. ``stray`` is the share of weak ones."""

    ledger: Ledger
    clock: dict[str, datetime]
    nest: str
    rng: np.random.Generator
    stray: float
    shift: float
    jobs: OpenJobs = field(init=False)

    def __post_init__(self) -> None:
        self.jobs = OpenJobs(
            self.ledger,
            Settings(limits=LimitsInForce.of_one("invented")),
            now=lambda: self.clock["now"],
        )

    def begin(self) -> str:
        return self.jobs.begin_check([("T", self.nest)], person=OPERATOR)

    def crimp(self) -> float:
        if self.rng.random() < self.stray:
            return 0.6 * LIMIT_N
        true_n = self.rng.normal(LIMIT_N + (MARGIN - self.shift) * SPREAD_N, SPREAD_N)
        return float(true_n + self.rng.normal(0.0, READING_NOISE_N))

    def take_up(self, job_id: str | None, again_for: str | None = None) -> tuple[str, SampleOrder]:
        joint = _joint(self.nest)
        order = SampleOrder(OPERATOR, "daily_check", joint, None, again_for, job_id=job_id)
        order = self.jobs.order(order)
        begun = SampleBegun(
            job=order.job, joint=joint, job_id=order.job_id, step=order.step,
            offered_again_for=again_for,
        )  # fmt: skip
        return self.ledger.append(begun, person=OPERATOR).id, order

    def finish(self, sample_id: str, job_id: str | None, peak_n: float, *, void: bool) -> None:
        verdict = judge_at_least(peak_n, U_N, LIMIT_N).verdict.value
        self.ledger.append(PullBegun(sample_id=sample_id), person=OPERATOR)
        finished = SampleFinished(
            sample_id=sample_id, job="daily_check", joint=_joint(self.nest),
            limit_standing="invented", guard=1.645, resistance=None, pull=_pull(peak_n),
            criteria=(_criterion(peak_n, verdict),), verdict="void" if void else verdict,
            void_reason="it slipped" if void else None, void_by="person" if void else None,
            job_id=job_id,
        )  # fmt: skip
        self.ledger.append(finished, person=OPERATOR)
        if job_id is not None:
            self.jobs.settle(job_id, OPERATOR)

    def found(self) -> str | None:
        checks = self.jobs.due()
        mine = next(item.last for item in checks if item.last.nest == self.nest)
        return "held" if mine.held else mine.outcome

    def next_day(self) -> None:
        self.clock["now"] += timedelta(days=1)


def honest(hands: Hands) -> bool:
    """Do as the plan says; True where the nest may be used."""
    job_id = hands.begin()
    while hands.jobs.record(job_id).ended is None:
        sample_id, _ = hands.take_up(job_id)
        hands.finish(sample_id, job_id, hands.crimp(), void=False)
    return hands.found() in ("released", "watch")


def until_it_passes(hands: Hands) -> bool:
    """Try everything; True where the nest may be used in the end."""
    tricks = hands.rng.spawn(1)[0]
    job_id: str | None = None
    unfinished: str | None = None
    for _ in range(STOP_AFTER):
        try:
            if job_id is None and tricks.random() < 0.7:
                job_id = hands.begin()
            if job_id is not None and hands.jobs.record(job_id).ended is not None:
                if hands.found() in ("released", "watch"):
                    return True
                job_id = None
                hands.next_day()
                continue
            sample_id, _ = hands.take_up(job_id, unfinished)
            unfinished = _use(hands, tricks, job_id, sample_id, hands.crimp())
            job_id = _restart_if_in_doubt(hands, job_id)
        except (BadInput, NestOnHold):
            job_id = None
            hands.next_day()
    return hands.found() in ("released", "watch")


def _use(
    hands: Hands, tricks: np.random.Generator, job_id: str | None, sample_id: str, peak_n: float
) -> str | None:
    """Finish a good sample; do something else with a weak one. Return one left unfinished."""
    if peak_n >= LIMIT_N:
        hands.finish(sample_id, job_id, peak_n, void=False)
        return None
    match int(tricks.integers(4)):
        case 0:
            hands.finish(sample_id, job_id, peak_n, void=True)
        case 1:
            hands.ledger.append(PullBegun(sample_id=sample_id), person=OPERATOR)
            return sample_id
        case 2:
            hands.finish(sample_id, None, peak_n, void=False)
            away = Correction(corrects_id=sample_id, reason="a mistake", void_sample=True)
            hands.ledger.append(away, person=OPERATOR)
        case _:
            hands.finish(sample_id, job_id, peak_n, void=False)
    return None


def _restart_if_in_doubt(hands: Hands, job_id: str | None) -> str | None:
    if job_id is None or hands.jobs.record(job_id).ended is not None:
        return job_id
    step = hands.jobs.state(job_id).next
    if step is not None and step.name == "second stage":
        hands.jobs.end(job_id, person=OPERATOR)
        return None
    return job_id


def in_use(policy: Policy, *, stray: float, shift: float, nests: int, seed: int) -> list[bool]:
    """Whether each of some nests ends in use."""
    found: list[bool] = []
    while len(found) < nests:
        count = min(NESTS_AT_ONCE, nests - len(found))
        with _shop(count) as (ledger, clock):
            for place in range(count):
                rng = np.random.default_rng([seed, len(found)])
                found.append(policy(Hands(ledger, clock, f"n{place}", rng, stray, shift)))
    return found


def retest_rates(*, nests: int, seed: int = 1) -> dict[str, tuple[ErrorRate, ErrorRate]]:
    """Bad nests left in use by the honest operator and by the one who re-tests until it passes."""
    kinds = {"20 % stray weak crimps": (0.2, 0.0), "5 % stray weak crimps": (0.05, 0.0),
             "fell today: 10 % fail": (0.0, MARGIN - 1.2816)}  # fmt: skip
    table = {}
    for words, (stray, shift) in kinds.items():
        pair = [
            sum(in_use(policy, stray=stray, shift=shift, nests=nests, seed=seed))
            for policy in (honest, until_it_passes)
        ]
        table[words] = (
            error_rate(words, "bad", pair[0], nests),
            error_rate(words, "bad", pair[1], nests),
        )
    return table


@contextmanager
def _shop(nests: int) -> Iterator[tuple[Ledger, dict[str, datetime]]]:
    clock = {"now": datetime(2031, 3, 4, 8, tzinfo=UTC)}
    with (
        tempfile.TemporaryDirectory(dir=_memory()) as folder,
        Ledger.open(
            Path(folder) / "retests.ledger",
            clock=lambda: Moment(clock["now"], True, "invented", 0.0),
        ) as ledger,
    ):
        names = tuple(f"n{place}" for place in range(nests))
        with ledger.transaction():
            ledger.append(PersonAdded(name=OPERATOR, role="installer"), person=OPERATOR)
            ledger.append(ToolAdded(tool="T", description="", nests=names), person=OPERATOR)
            for name in names:
                ledger.append(_baseline(name), person=OPERATOR)
        yield ledger, clock


def _memory() -> str | None:
    """Where files are quick to sync, if there is such a place."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _joint(nest: str) -> Joint:
    return Joint(connector="invented", wires=("18 AWG",), tool="T", nest=nest)


def _pull(peak_n: float) -> PullResult:
    return PULL.model_copy(update={"peak_n": peak_n, "u_n": U_N, "trace_sha256": None})


def _criterion(peak_n: float, verdict: str) -> CriterionResult:
    return CriterionResult.model_validate(
        {"set_id": "invented", "criterion": "pull_force_min", "unit": "N", "value": peak_n,
         "u": U_N, "limit": LIMIT_N, "verdict": verdict, "probability_conforming": None}
    )  # fmt: skip


def _baseline(nest: str) -> BaselineSet:
    return BaselineSet(
        joint=_joint(nest), baseline_version=1, n=40, sample_ids=(),
        force_ratio_center=1.0 + MARGIN * SPREAD_N / LIMIT_N, force_ratio_sigma=SPREAD_N / LIMIT_N,
        log_resistance_center=-8.3, log_resistance_sigma=0.06,
    )  # fmt: skip
