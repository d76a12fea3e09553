"""What happens to a nest, for simulations: mean scores by sample number."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Mean = Callable[[NDArray[np.int64]], NDArray[np.float64]]
"""From sample numbers, shape (n,), to the mean scores there, shape (n, characteristics)."""


def steady(characteristics: int) -> Mean:
    """Nothing changes."""
    return lambda number: np.zeros((number.size, characteristics))


def shifted(direction: tuple[float, ...], size: float, after: int = 0) -> Mean:
    """A lasting shift that begins with sample ``after`` + 1."""
    along = size * np.asarray(direction)
    return lambda number: np.where(number[:, None] > after, along, 0.0)


def ramp(direction: tuple[float, ...], slope: float, after: int = 0) -> Mean:
    """Mean ``slope`` times t along a direction, where t is 1 at sample ``after`` + 1."""
    along = slope * np.asarray(direction)
    return lambda number: np.maximum(number - after, 0)[:, None] * along
