"""Simulated instruments that do not keep time, for tests of what is not about their pace."""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from unittest.mock import patch

from station.simulation.launch import SimulatedInstrument


@contextmanager
def unpaced() -> Iterator[None]:
    """Within the block simulated instruments read and pull as fast as can be."""
    fast = partial(SimulatedInstrument, paced=False)
    with patch("station.simulation.demo.SimulatedInstrument", fast):
        yield
