"""What all that is recorded has in common."""

from collections.abc import Mapping
from typing import Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict


class Recorded(BaseModel):
    """Base of all that is recorded: frozen, no unknown fields, no NaN or infinity.

    Every instance has passed its validation, since pydantic's two ways around that are closed; so
    what is written need not be read back to know that it can be.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @classmethod
    def model_construct(  # type: ignore[override]  # mypy's plugin sees one without fields
        cls, _fields_set: set[str] | None = None, **values: Any
    ) -> Self:
        """Return an instance of these values, validated like any other."""
        return cls.model_validate(values)

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:  # noqa: ARG002
        """Return an instance with some values changed, validated like any other."""
        return type(self).model_validate({**dict(self), **(update or {})})


class Payload(Recorded):
    """Base of all payloads; the ``kind`` of each is its name in the record."""

    KIND: ClassVar[str]
    VERSION: ClassVar[int] = 1

    demo: bool = False
    """True for invented records; every page and report that shows one says so."""

    def __init_subclass__(cls, kind: str = "", **rest: Any) -> None:
        super().__init_subclass__(**rest)
        if kind:
            cls.KIND = kind
