"""A simulated pull tester: ``python -m station.instruments.simulated.pull_tester --seed 1``.

Sends ``counter,force,unit,status`` lines without being asked, and answers ``ID?``. Hands may
``{"mount": {...}}`` a specimen, ``{"pull": true}`` the lever once, and ``{"unmount": true}``.
"""

import argparse
from math import floor

import numpy as np
from numpy.typing import NDArray

from station.errors import BadInput
from station.instruments.simulated.physics import Specimen, noisy, pull_curve
from station.instruments.simulated.service import PtyService, end_on_signal, mounted

SPEED_WITHOUT_PACING = 20.0
"""Simulated seconds per second when the line is not paced."""

_NOISE_N = 0.05
_RESOLUTION_N = 0.1


class SimulatedPullTester:
    """A tester that streams the force at its grips.

    Parameters
    ----------
    rng
        Source of its noise and of how strands part.
    serial_number
        What it says of itself.
    sample_rate_hz
        Samples per simulated second.
    capacity_n
        Above this it says ``OL`` instead of a force.
    speed
        Simulated seconds per second.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        serial_number: str = "0001",
        sample_rate_hz: float = 100.0,
        capacity_n: float = 1000.0,
        speed: float = 1.0,
    ) -> None:
        self._rng = rng
        self._identity = f"CRIMP STATION,SIMULATED PULL TESTER,{serial_number},1\r\n"
        self._sample_rate_hz = sample_rate_hz
        self._capacity_n = capacity_n
        self._lines_per_s = sample_rate_hz * speed
        self._specimen: Specimen | None = None
        self._pulled: NDArray[np.float64] = np.empty(0)
        self._position = 0
        self._counter = 0
        self._begun_s: float | None = None
        self._asked = ""

    def receive(self, line: bytes, now_s: float) -> None:
        """Take a line; only ``ID?`` means anything to it."""
        del now_s
        if line.strip().upper() == b"ID?":
            self._asked += self._identity

    def due(self, now_s: float) -> bytes:
        """Return the lines whose time has come."""
        if self._begun_s is None:
            self._begun_s = now_s
        count = floor((now_s - self._begun_s) * self._lines_per_s) - self._counter
        said, self._asked = self._asked, ""
        return (said + "".join(self._next_line() for _ in range(count))).encode("ascii")

    def next_due_s(self, now_s: float) -> float:
        """Return when the next sample is taken."""
        begun_s = now_s if self._begun_s is None else self._begun_s
        return begun_s + (self._counter + 1) / self._lines_per_s

    def handle(self, command: dict[str, object], now_s: float) -> None:
        """Mount or unmount a specimen, or work the lever."""
        del now_s
        match command:
            case {"mount": fields}:
                self._specimen = mounted(fields)
            case {"unmount": True}:
                self._specimen = None
                self._pulled = np.empty(0)
            case {"pull": True}:
                self._pull()
            case _:
                raise BadInput(f"Hands at the tester mount, pull or unmount, not {command}.")

    def _pull(self) -> None:
        if self._specimen is None:
            raise BadInput("No whole specimen is mounted; mount one.")
        self._pulled = pull_curve(self._specimen, self._rng, sample_rate_hz=self._sample_rate_hz)
        self._position = 0
        # What was pulled once is scrap.
        self._specimen = None

    def _next_line(self) -> str:
        force_n = 0.0
        if self._position < len(self._pulled):
            force_n = float(self._pulled[self._position])
            self._position += 1
        counter, self._counter = self._counter, self._counter + 1
        if force_n > self._capacity_n:
            return f"{counter},OL,N,OL\r\n"
        return f"{counter},{noisy(force_n, _NOISE_N, _RESOLUTION_N, self._rng):+.1f},N,OK\r\n"


def main() -> None:
    """Run the simulated tester until standard input ends."""
    parser = argparse.ArgumentParser(description="Simulated pull tester.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baud", type=int, default=115_200)
    parser.add_argument("--serial-number", default="0001")
    parser.add_argument("--sample-rate-hz", type=float, default=100.0)
    parser.add_argument("--capacity-n", type=float, default=1000.0)
    parser.add_argument(
        "--no-pacing",
        action="store_true",
        help=f"time runs {SPEED_WITHOUT_PACING:g} times as fast, lines go out at once",
    )
    options = parser.parse_args()
    end_on_signal()
    rng = np.random.default_rng(options.seed)
    device = SimulatedPullTester(
        rng,
        serial_number=options.serial_number,
        sample_rate_hz=options.sample_rate_hz,
        capacity_n=options.capacity_n,
        speed=SPEED_WITHOUT_PACING if options.no_pacing else 1.0,
    )
    bytes_per_s = float("inf") if options.no_pacing else options.baud / 10
    PtyService(device, bytes_per_s, rng).run()


if __name__ == "__main__":
    main()
