"""The limits in force: by which sets a shop judges, per kind of wire."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from station.crimp.wire import WireSize

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Judged = Literal["pull", "resistance"]


class Facts(BaseModel):
    """What is read from a file: nothing beside what is named, no infinities."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class SetsOfKind(Facts):
    """What judges one kind of wire: sets by identifier; every one that has the size judges."""

    pull: tuple[str, ...]
    resistance: tuple[str, ...] = ()


class LimitsInForce(Facts):
    """What a shop judges by, stated once.

    The shipped choice covers every size that an installer uses; what of it is published and what is
    a rule of our own is told by the standing of each set. A customer's document goes before it.
    """

    awg_and_sae: SetsOfKind = SetsOfKind(
        pull=("ul-486a-1991", "own-rule-pull-sae"), resistance=("own-rule-resistance",)
    )
    mm2: SetsOfKind = SetsOfKind(
        pull=("qc-t-29106-2014",), resistance=("vehicle-harness-drop", "own-rule-resistance")
    )
    only: Judged | None = None
    """What a shop without the other instrument judges; a pass then says "only"."""

    @classmethod
    def of_one(cls, set_id: str) -> "LimitsInForce":
        """One set for all wires and all that it states."""
        kind = SetsOfKind(pull=(set_id,), resistance=(set_id,))
        return cls(awg_and_sae=kind, mm2=kind)

    def chosen(self, set_id: str | None) -> "LimitsInForce":
        """This choice, or one set in its place; what instruments there are stays."""
        if set_id is None:
            return self
        return self.of_one(set_id).model_copy(update={"only": self.only})

    def of(self, size: WireSize) -> SetsOfKind:
        """The sets that judge a size; strands by millimetre count as metric."""
        metric_wire = size.system == "mm2" or size.label.endswith("mm")
        return self.mm2 if metric_wire else self.awg_and_sae

    @property
    def set_ids(self) -> tuple[str, ...]:
        """All sets that are named, each once."""
        kinds = (self.awg_and_sae, self.mm2)
        return tuple(dict.fromkeys(name for kind in kinds for name in kind.pull + kind.resistance))
