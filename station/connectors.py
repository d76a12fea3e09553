"""Connectors as data: what a barrel accepts and what is measured where."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from station.errors import DataFileError
from station.limits import Standing
from station.wire import WireSize

Family = Literal["butt splice"]


class Connector(BaseModel):
    """One connector: one data file."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    title: str
    family: Family
    band: str
    """Colour of the insulation, as the trade codes wire ranges; not one standard across makers."""
    accepts: tuple[str, ...]
    """Canonical wire sizes."""
    source: str
    standing: Standing

    def accepts_size(self, size: WireSize) -> bool:
        """Whether the barrel is made for this wire."""
        return size.label in self.accepts


def connector_named(connectors: dict[str, Connector], name: str) -> Connector:
    """Look a connector up (DataFileError names those there are)."""
    if name not in connectors:
        raise DataFileError(
            f"There is no connector {name!r}: use one of {', '.join(sorted(connectors))}."
        )
    return connectors[name]
