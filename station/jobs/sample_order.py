"""What a job asks of a sample, before it is made."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from station.ledger.entries import Joint, SizeResult
from station.shop.lots import NO_LOTS, Lots


@dataclass(frozen=True, slots=True)
class SampleOrder:
    """A sample as it is described before anything is measured."""

    person: str
    job: str
    joint: Joint
    limit_set: str | None = None
    """A set that alone judges; None for the limits in force."""
    offered_again_for: str | None = None
    use_wrong_barrel: bool = False
    """The person was warned that the barrel is not made for the wires, and goes on all the same."""
    checklist: Mapping[str, bool] = field(default_factory=dict)
    """Answers to the visual checklist by item; True is good."""
    job_id: str | None = None
    """The job that the sample is made for; None for a sample of its own."""
    step: str | None = None
    """Where in that job's plan it belongs."""
    reels: tuple[str, ...] = ()
    """The reel of each wire of the joint: :func:`station.shop.reels.chosen_reels`."""
    lots: Lots = NO_LOTS
    pull_wire: int | None = None
    """Which wire is pulled, by its place in the joint; the thinnest where None."""
    hold: bool = False
    """A proof pull: the force is held at the limit instead of pulled to the end."""
    sizes: Mapping[str, SizeResult] = field(default_factory=dict)
    """What its crimp measures, by the criterion of its data sheet."""

    @property
    def coded(self) -> bool:
        """Whether it is a coded sample of a certification: a lead looked at it before."""
        return self.job == "certification" and self.step is not None
