"""Invented samples for the tests of jobs."""

from collections.abc import Mapping, Sequence

import numpy as np

from station.jobs.sample import JobSample
from station.ledger.entries import CriterionResult, Joint

JOINT = Joint(connector="butt-splice-red", wires=("18 AWG", "18 AWG"), tool="Egret", nest="red")
FORCE_LIMIT_N = 89.0
RESISTANCE_LIMIT_OHM = 0.55e-3


def criteria(
    force_n: float, splice_ohm: float | None = None, *, u_n: float = 0.5
) -> tuple[CriterionResult, ...]:
    found = [
        CriterionResult(
            criterion="pull_force_min",
            unit="N",
            value=force_n,
            u=u_n,
            limit=FORCE_LIMIT_N,
            verdict="pass" if force_n >= FORCE_LIMIT_N else "fail",
            probability_conforming=None,
        )
    ]
    if splice_ohm is not None:
        found.append(
            CriterionResult(
                criterion="resistance_max",
                unit="ohm",
                value=splice_ohm,
                u=4e-6,
                limit=RESISTANCE_LIMIT_OHM,
                verdict="pass" if splice_ohm <= RESISTANCE_LIMIT_OHM else "fail",
                probability_conforming=None,
            )
        )
    return tuple(found)


def sample(
    number: int,
    force_n: float,
    splice_ohm: float | None = None,
    *,
    joint: Joint = JOINT,
    verdict: str | None = None,
    mode: str = "broke_at_edge",
    step: str | None = None,
    checklist: Mapping[str, bool] | None = None,
) -> JobSample:
    found = criteria(force_n, splice_ohm)
    worst = "fail" if any(one.verdict == "fail" for one in found) else "pass"
    return JobSample(
        f"sample-{number}", joint, verdict or worst, mode, found, checklist or {}, step
    )


def pulls(forces: Sequence[float], *, joint: Joint = JOINT, first: int = 0) -> list[JobSample]:
    return [sample(first + number, force, joint=joint) for number, force in enumerate(forces)]


def normal_forces(n: int, mean: float, sd: float) -> list[float]:
    """Forces with exactly this mean and deviation, shaped like normal quantiles."""
    from scipy.special import ndtri

    scores = ndtri((np.arange(n) + 0.5) / n)
    scores = (scores - scores.mean()) / scores.std(ddof=1)
    return [float(value) for value in mean + sd * scores]
