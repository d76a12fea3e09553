"""The paper of a tool validation."""

from collections.abc import Callable, Mapping, Sequence
from typing import Unpack

from markupsafe import Markup

from calibration.saying import say
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import quantity, shown_scale
from station.jobs.papers.frame import Framing, paper
from station.jobs.papers.looks import LookRow
from station.jobs.papers.plots import Level, Row, strip_plot
from station.jobs.sample import JobSample
from station.jobs.step import OUTCOME_WORDS
from station.jobs.validation.judge import WHAT, joint_words
from station.jobs.validation.record import Validation
from station.jobs.validation.replaced import ToolComparison
from station.jobs.validation.tolerance import Finding


def validation_paper(
    job: Validation,
    comparisons: Mapping[str, ToolComparison | None],
    looks: Sequence[LookRow],
    **framing: Unpack[Framing],
) -> str:
    """A validation as one HTML file.

    Parameters
    ----------
    comparisons
        With the tool that is replaced, by joint key.
    """
    ended = job.record.ended
    return paper(
        "validation",
        f"Validation of tool {job.scope.tool}",
        OUTCOME_WORDS[job.result.outcome if ended is None else ended.outcome],
        job.record,
        job.plan,
        (found for sample in job.samples for found in sample.criteria),
        rows=job.record.samples,
        job=job,
        comparisons=comparisons,
        looks=looks,
        what=WHAT,
        modes=FAILURE_MODES,
        joint_words=joint_words,
        finding_plot=finding_plot,
        compared=compared,
        **framing,
    )


def finding_plot(
    found: Finding, samples: Sequence[JobSample], tell: Callable[[str], str] = str
) -> Markup:
    """The values of one criterion with limit and bound, in the words that ``tell`` gives."""
    factor, unit = shown_scale(found.unit)
    values = [
        factor * one.value
        for sample in samples
        if (one := sample.criterion(found.criterion)) and one.value is not None
    ]
    what = say(WHAT.get(found.criterion, found.criterion))
    levels = [Level(factor * found.demanded, tell(say("limit with guard")), alarm=True)]
    if found.bound is not None:
        levels.append(Level(factor * found.bound, tell(say("tolerance bound"))))
    title = tell(say("{what} of every sample", what=what))
    return strip_plot(title, unit, [Row(tell(what), values)], levels)


def compared(comparison: ToolComparison | None) -> list[str]:
    """A new tool beside the old one, in sentences."""
    if comparison is None or comparison.force_difference_n is None:
        return []
    found = [f"Beside {comparison.tool} ({comparison.n_old} samples of the same joint):"]
    for words, estimate, unit in (
        (say("pull force"), comparison.force_difference_n, "N"),
        ("resistance", comparison.resistance_difference_ohm, "ohm"),
    ):
        if estimate is not None:
            found.append(
                f"{words} differs by {quantity(estimate.value, unit)} (95 % interval "
                f"{quantity(estimate.low, unit)} to {quantity(estimate.high, unit)}), new less old."
            )
    return found
