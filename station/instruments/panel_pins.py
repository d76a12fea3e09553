"""What is wired where: the GPIO numbers of a panel, as the settings name them."""

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

InputPin = Annotated[int, Field(ge=2, le=27)]
OutputPin = Annotated[int, Field(ge=9, le=27)]
"""GPIO0 to 8 are pulled up until the station starts, which would light a lamp."""


class PanelPins(BaseModel):
    """GPIO numbers (not places on the header) of the panel; None where nothing is wired.

    A settings file, which has no word for None, says ``false``. Outputs are on pins that are pulled
    down until the station starts, so that lamps stay dark.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    footswitch: InputPin | None = 5
    guard: InputPin | None = 6
    lamp_ready: OutputPin | None = 17
    lamp_pass: OutputPin | None = 22
    lamp_fail: OutputPin | None = 23
    lamp_attention: OutputPin | None = 24
    buzzer: OutputPin | None = 25
    current_reversal_relay: OutputPin | None = None

    @field_validator("*", mode="before")
    @classmethod
    def _false_is_not_wired(cls, value: object) -> object:
        return None if value is False else value

    @model_validator(mode="after")
    def _one_use_each(self) -> Self:
        used: dict[int, str] = {}
        for name, gpio in self.wired().items():
            if gpio in used:
                raise ValueError(f"GPIO{gpio} is given to {used[gpio]} and to {name}")
            used[gpio] = name
        return self

    def wired(self) -> dict[str, int]:
        """Return what is wired, by name."""
        pins: dict[str, int | None] = self.model_dump()
        return {name: gpio for name, gpio in pins.items() if gpio is not None}


SUGGESTED_RELAY_GPIO = 27
"""Where the wiring notes put the current-reversal relay of a bench that has one."""
