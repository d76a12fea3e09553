"""Entries about tools and their nests, and what is comparable in them."""

from datetime import date
from typing import Literal

from station.ledger.entries.base import Payload, Recorded


class ToolAdded(Payload, kind="tool_added"):
    """A crimp tool and the nests (die cavities) it has."""

    tool: str
    description: str
    nests: tuple[str, ...]
    serial: str | None = None
    """The number on the tool itself; null where none is named."""


class ToolServiced(Payload, kind="tool_serviced"):
    """A service of a tool or nest: new die, adjustment. Trends start again after it."""

    tool: str
    nest: str | None
    action: str


class ToolLookedAt(Payload, kind="tool_looked_at"):
    """A nest was looked at as a tool; what is false holds it, null was not looked at."""

    tool: str
    nest: str
    gauge: bool | None
    """Whether go enters and no-go does not."""
    ratchet: bool
    jaws: bool


class Joint(Recorded):
    """What makes samples comparable: connector, wires and the nest that crimped them."""

    connector: str
    """Identifier of the connector in ``station/data/connectors``."""
    wires: tuple[str, ...]
    """Canonical wire sizes, one per wire, e.g. ``("18 AWG", "18 AWG")``."""
    material: str = "copper"
    tool: str
    nest: str

    @property
    def key(self) -> str:
        """Text that is equal for comparable samples."""
        parts = (self.connector, "+".join(self.wires), self.material, self.tool, self.nest)
        return " | ".join(parts)


class BaselineSet(Payload, kind="baseline_set"):
    """The baseline of a joint, from the samples that validated the tool: frozen, versioned."""

    joint: Joint
    baseline_version: int
    n: int
    force_ratio_center: float
    force_ratio_sigma: float
    log_resistance_center: float
    log_resistance_sigma: float
    sample_ids: tuple[str, ...]


class NestHeld(Payload, kind="nest_held"):
    """A nest must not be used until a lead releases it."""

    tool: str
    nest: str
    reason: str
    job_id: str | None = None
    needs: Literal["service", "lead"] = "service"
    """What has to come before its release: service and a new baseline, or a lead's look alone."""


class NestReleased(Payload, kind="nest_released"):
    """A held nest may be used again."""

    tool: str
    nest: str
    reason: str
    job_id: str | None = None


class WorkDone(Payload, kind="work_done"):
    """Work that left the shop was crimped in this nest on this day."""

    day: date
    work_order: str
    tool: str
    nest: str
    note: str = ""
