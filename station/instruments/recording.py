"""When a pull begins and ends, and its time axis. Pure."""

from collections import deque
from dataclasses import dataclass
from math import ceil, isfinite
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.errors import BadInput
from station.instruments.force_lines import ForceSample

EndedBy = Literal["force fell", "time ran out", "no specimen", "stopped", "overload"]

TimeFrom = Literal["counter", "device", "arrival", "polls"]

PRE_TRIGGER_S = 0.5
"""Kept at least, before the force passed the preload."""

OVERLOAD_FRACTION = 0.9
"""Of the tester's capacity; beyond it the pull ends: the sample bore at least that."""

_TRIGGER_S = 0.02


@dataclass(frozen=True, slots=True)
class PullLimits:
    """What begins and ends a recording.

    Raises
    ------
    BadInput
        A value is not positive, or ``end_fraction`` is not below 1.
    """

    preload_n: float
    """The pull has begun when the force stays above this."""
    end_fraction: float
    """It is over when the force stays below this part of its peak for ``end_time_s``."""
    end_time_s: float
    max_time_s: float
    """It is over after this time in any case, counted from the first sample."""

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not (isfinite(value) and value > 0):
                raise BadInput(f"The pull's {name} must be above 0, not {value}.")
        if self.end_fraction >= 1:
            raise BadInput(f"The pull's end_fraction must be below 1, not {self.end_fraction}.")


class PullWatch:
    """Keeps the samples of one pull and tells when it is over.

    Until the force passes the preload only the last `PRE_TRIGGER_S` are kept, and somewhat more.
    """

    def __init__(self, limits: PullLimits, sample_rate_hz: float, capacity_n: float) -> None:
        self._limits = limits
        self._overload_n = OVERLOAD_FRACTION * capacity_n
        self._trigger_samples = max(1, round(_TRIGGER_S * sample_rate_hz))
        before = ceil(2 * PRE_TRIGGER_S * sample_rate_hz) + self._trigger_samples
        self._before: deque[ForceSample] = deque(maxlen=before)
        self._pull: list[ForceSample] = []
        self._above = 0
        self._begun_s: float | None = None
        self._low_since_s: float | None = None
        self.peak_n = 0.0
        self.overload = False

    def add(self, sample: ForceSample, time_s: float) -> EndedBy | None:
        """Take the next sample, at ``time_s`` on any steady clock; return why the pull is over."""
        if self._begun_s is None:
            self._begun_s = time_s
        if sample.force_n is None or abs(sample.force_n) > self._overload_n:
            self.overload = True
            self._keep(sample)
            return "overload"
        self._keep(sample)
        self._look_for_trigger(sample.force_n)
        if self.triggered and self._has_fallen(sample.force_n, time_s):
            return "force fell"
        if time_s - self._begun_s >= self._limits.max_time_s:
            return "time ran out" if self.triggered else "no specimen"
        return None

    @property
    def triggered(self) -> bool:
        """True once the force has passed the preload."""
        return bool(self._pull)

    @property
    def samples(self) -> list[ForceSample]:
        """What was kept, oldest first; overload lines without a force are left out."""
        return [sample for sample in (*self._before, *self._pull) if sample.force_n is not None]

    @property
    def begin_index(self) -> int | None:
        """Index of the first sample above the preload; null if there is none."""
        return self._pull[0].index if self._pull else None

    def _keep(self, sample: ForceSample) -> None:
        (self._pull if self.triggered else self._before).append(sample)

    def _look_for_trigger(self, force_n: float) -> None:
        if not self.triggered:
            self._above = self._above + 1 if force_n > self._limits.preload_n else 0
            if self._above < self._trigger_samples:
                return
            newest = [self._before.pop() for _ in range(self._above)]
            self._pull = newest[::-1]
            force_n = max(sample.force_n or 0.0 for sample in newest)
        self.peak_n = max(self.peak_n, force_n)

    def _has_fallen(self, force_n: float, time_s: float) -> bool:
        if force_n >= self._limits.end_fraction * self.peak_n:
            self._low_since_s = None
            return False
        if self._low_since_s is None:
            self._low_since_s = time_s
        return time_s - self._low_since_s >= self._limits.end_time_s


def fitted_times(
    index: NDArray[np.int64], arrival_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Put samples on the straight line that fits their arrival times best.

    Adapters deliver lines in batches, so an arrival is late by up to some 16 ms while the samples
    themselves are evenly spaced: ordinary least squares of arrival over index.

    Parameters
    ----------
    index
        Sample numbers, shape (n,), n >= 1, lost ones counted.
    arrival_s
        Arrival times in s, shape (n,).

    Returns
    -------
    tuple
        Times in s on the clock of ``arrival_s``, shape (n,), and the sample rate in Hz (NaN for
        fewer than two different times).
    """
    mean_index = index.mean()
    from_mean = index - mean_index
    spread = float(from_mean @ from_mean)
    period_s = float(from_mean @ (arrival_s - arrival_s.mean())) / spread if spread else 0.0
    times_s = arrival_s.mean() + period_s * from_mean
    return times_s, 1 / period_s if period_s > 0 else float("nan")


def time_axis(
    index: NDArray[np.int64],
    arrival_s: NDArray[np.float64],
    time_from: TimeFrom,
    sample_rate_hz: float,
    begin: int,
    device_s: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], float]:
    """Return the times of samples in s, and their rate in Hz by arrival.

    Time 0 is that of the sample at place ``begin``. Times come from the numbers and the nominal
    rate, from ``device_s`` (the tester's own clock, shape (n,)), from a line through the arrival
    times (see `fitted_times`), or, for polls, which are not evenly spaced, from the arrivals as
    they are. Without samples both are empty and NaN.
    """
    if not len(index):
        return np.empty(0), float("nan")
    times_s, arrival_rate_hz = fitted_times(index, arrival_s)
    if time_from == "counter":
        times_s = index / sample_rate_hz
    elif time_from == "device" and device_s is not None:
        times_s = device_s
    elif time_from == "polls":
        times_s = arrival_s
    return times_s - times_s[begin], arrival_rate_hz


def clock_steps(
    clock_s: NDArray[np.float64], arrival_s: NDArray[np.float64], jitter_s: float
) -> list[tuple[int, float]]:
    """Where a tester's clock and the arrival of its lines part company for good.

    A line may come late, and the ones behind it with it; but they catch up. So of each second
    before and after only the line that came soonest counts.

    Parameters
    ----------
    clock_s
        Times by counter, line number or the tester's own clock, in s, rising, shape (n,).
    arrival_s
        Arrival times in s, shape (n,).
    jitter_s
        Steps of up to so much are the line's own jitter.

    Returns
    -------
    list
        Numbers of the samples before which it happens, and by how many s arrival then lags more;
        negative where the clock went ahead.
    """
    if len(clock_s) < 3:
        return []
    each = max(1, len(clock_s) // 8)
    pace = np.median((arrival_s[each:] - arrival_s[:-each]) / (clock_s[each:] - clock_s[:-each]))
    late_s = arrival_s - pace * clock_s
    found = []
    for at in np.flatnonzero(np.abs(np.diff(late_s)) > 0.5 * jitter_s) + 1:
        near = np.searchsorted(arrival_s, arrival_s[[at - 1, at]] + (-1.0, 1.0))
        step_s = float(late_s[at : near[1]].min() - late_s[near[0] : at].min())
        if abs(step_s) > jitter_s:
            found.append((int(at), step_s))
    return found
