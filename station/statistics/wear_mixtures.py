"""The mixtures that the station uses, with the thresholds for every run length.

The figures, and how they were found, stand in ``station/data/wear_mixtures.toml``.
"""

import tomllib

from pydantic import TypeAdapter

from station.files import DATA
from station.statistics.mixture import Mixture

_TABLES = tomllib.loads((DATA / "wear_mixtures.toml").read_text(encoding="utf-8"))

THRESHOLDS = tuple(_TABLES["thresholds"])
"""In nats; the run lengths stand at these."""


def _mixture(key: str) -> Mixture:
    return TypeAdapter(Mixture).validate_python(_TABLES[key] | {"thresholds": THRESHOLDS})


PAIR = _mixture("pair")
"""Force and resistance: either of them alone, or both alike."""

ONE_WAY = _mixture("one_way")
"""One characteristic, in its bad direction."""

TWO_WAY = _mixture("two_way")
"""One characteristic, in either direction."""
