"""Simulated instruments that do not keep time, for tests of what is not about their pace."""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from unittest.mock import patch

from station.instruments.profiles import PullTesterProfile, load_tester_profile
from station.simulation.launch import SimulatedInstrument

PATIENCE_S = 60.0
"""A tester's process may get no time for seconds where the machine is busy."""


@contextmanager
def unpaced() -> Iterator[None]:
    """Within the block simulated instruments read and pull as fast as can be."""
    fast = partial(SimulatedInstrument, paced=False)
    with (
        patch("station.simulation.demo.SimulatedInstrument", fast),
        patch("station.instruments.bay.load_tester_profile", patient_tester),
    ):
        yield


def patient_tester(name: str, folder: Path | None = None) -> PullTesterProfile:
    """A profile whose tester is silent only when it has really ended, at whatever pace it goes."""
    return load_tester_profile(name, folder).waiting(PATIENCE_S)
