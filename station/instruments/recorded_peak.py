"""The peak of a recorded pull, by its trace and by the tester's own register."""

from dataclasses import replace

from calibration.worth import ForceWorth
from station.crimp.pull.peak import PeakFound, with_register
from station.crimp.pull.reduce import PullReduction, reduce_trace
from station.crimp.wire import WireSize
from station.instruments.pull_tester import ForceTrace


def reduce_recorded(
    trace: ForceTrace, worth: ForceWorth, preload_n: float, wire: WireSize | None = None
) -> tuple[PullReduction, PeakFound]:
    """Return the trace reduced, with the joint peak, and how trace and register go together.

    Parameters
    ----------
    worth
        What a reading of this tester is worth: its filter and last digit.
    preload_n
        Force below which nothing is held.
    wire
        As of `reduce_trace`.

    Raises
    ------
    BadInput
        As `reduce_trace`.
    """
    reduced = reduce_trace(
        trace.time_s,
        trace.force_n,
        filter_hz=worth.filter_hz,
        preload_n=preload_n,
        wire=wire,
        resolution_n=worth.resolution_n,
    )
    found = with_register(
        reduced.peak_n,
        reduced.peak_may_be_low_by_n,
        trace.register_peak_n,
        max(2.0 * worth.resolution_n, 6.0 * reduced.noise_n),
    )
    low_n = found.may_be_low_by_n
    return replace(reduced, peak_n=found.peak_n, peak_may_be_low_by_n=low_n), found
