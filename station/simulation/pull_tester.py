"""A simulated pull tester: ``python -m station.simulation.pull_tester --seed 1``.

Speaks the dialect of the profile that it is told (``--profile``), or one that no profile ships for
(``--profile unlisted``). Hands may ``{"mount": {...}}`` a specimen, ``{"pull": true}`` the lever
once, and ``{"unmount": true}``.
"""

import argparse
from math import floor
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.errors import BadInput
from station.simulation.physics import Specimen, noisy, pull_curve
from station.simulation.service import DeviceFault, mounted, serve
from station.simulation.voices import TESTER_VOICES, TesterVoice

SPEED_WITHOUT_PACING = 20.0
"""Simulated seconds per second of a pull when the line is not paced."""

_FAST_AFTER_PULL_S = 5.0
_MOST_LINES_AT_ONCE = 200

DEFAULT_PROFILE = "tester-stream-newton"

_NOISE_N = 0.05
_RESOLUTION_N = 0.1
_DRIFT_N_PER_S = 0.5


class SimulatedPullTester:
    """A tester that streams the force at its grips.

    Parameters
    ----------
    rng
        Source of its noise and of how strands part.
    serial_number
        What it says of itself.
    capacity_n
        Above this it says that it is overloaded instead of a force.
    speed
        Simulated seconds per second, from the lever to some seconds after the break. Other than 1,
        its clock is its own: it waits where the host is late, so that nothing rests on the host's
        pace, and goes at the usual speed while it waits for hands.
    voice
        The dialect that it speaks.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        serial_number: str = "0001",
        capacity_n: float = 1000.0,
        speed: float = 1.0,
        voice: TesterVoice = TESTER_VOICES[DEFAULT_PROFILE],
    ) -> None:
        self._rng = rng
        self.serial_number = serial_number
        self._voice = voice
        self._sample_rate_hz = voice.sample_rate_hz
        self._capacity_n = capacity_n
        self._speed = speed
        self._specimen: Specimen | None = None
        self._pulled: NDArray[np.float64] = np.empty(0)
        self._position = 0
        self._counter = 0
        self._force_n = 0.0
        self._peak_n = 0.0
        self._drift_n = 0.0
        self._fault: DeviceFault | Literal["none"] = "none"
        self._streams = voice.poll is None and voice.start is None
        self._heard_s: float | None = None
        self._asked = ""

    def receive(self, line: bytes, now_s: float) -> None:
        """Take a line; only the words of its dialect mean anything to it."""
        del now_s
        word, voice = line.strip().upper(), self._voice
        if not word:
            return
        if word in (voice.start, voice.stop):
            self._streams = word == voice.start
        elif word == voice.clear_peak:
            self._peak_n = 0.0
        elif word == voice.poll:
            self._asked += self._spoken()
        elif word == voice.identify:
            self._asked += self._identity + voice.answer_end
        elif word == voice.peak:
            self._asked += f"PT={-self._peak_n:+.1f}{voice.answer_end}"

    def due(self, now_s: float) -> bytes:
        """Return the lines whose time has come."""
        if self._heard_s is None:
            self._heard_s = now_s
        # The smallest part of a line makes up for the rounding of times.
        count = floor((now_s - self._heard_s) * self._lines_per_s + 1e-6)
        self._heard_s += count / self._lines_per_s
        if self._speed != 1.0 and count > _MOST_LINES_AT_ONCE:
            count, self._heard_s = _MOST_LINES_AT_ONCE, now_s
        lines = [self._next_line() for _ in range(count)]
        said, self._asked = self._asked, ""
        return (said + "".join(lines)).encode("ascii")

    def next_due_s(self, now_s: float) -> float:
        """Return when the next sample is taken."""
        return (now_s if self._heard_s is None else self._heard_s) + 1 / self._lines_per_s

    @property
    def _lines_per_s(self) -> float:
        fast = self._position < len(self._pulled) + _FAST_AFTER_PULL_S * self._sample_rate_hz
        return self._sample_rate_hz * (self._speed if len(self._pulled) and fast else 1.0)

    def befall(self, fault: DeviceFault | Literal["none"]) -> None:
        """Let something go wrong inside it, or be well again."""
        self._fault = fault
        self._drift_n = 0.0

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

    @property
    def _identity(self) -> str:
        body = f"CRIMP STATION,SIMULATED PULL TESTER,{self.serial_number},1"
        return self._voice.said(self._voice.identity, 0.0, body=body)

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
        if self._fault == "drift":
            self._drift_n += _DRIFT_N_PER_S / self._sample_rate_hz
        if self._fault != "stuck":
            self._force_n = force_n + self._drift_n
        self._peak_n = max(self._peak_n, self._force_n)
        said = self._spoken() if self._streams else ""
        self._counter += 1
        return said

    def _spoken(self) -> str:
        if self._fault == "sentinel":
            return self._voice.sentinel + self._voice.answer_end
        unit, newtons = self._voice.units[self._fault == "wrong_unit"]
        shown_n = noisy(self._force_n, _NOISE_N, _RESOLUTION_N, self._rng)
        micros = round(self._counter / self._sample_rate_hz * 1e6) % 2**32
        form = self._voice.overload if self._force_n > self._capacity_n else self._voice.line
        said = self._voice.said(
            form, shown_n / newtons, counter=self._counter % 2**32, micros=micros, unit=unit
        )
        return said + self._voice.answer_end


def _made(options: argparse.Namespace, rng: np.random.Generator) -> SimulatedPullTester:
    return SimulatedPullTester(
        rng,
        serial_number=options.serial_number,
        speed=SPEED_WITHOUT_PACING if options.no_pacing else 1.0,
        voice=TESTER_VOICES[options.profile],
    )


if __name__ == "__main__":
    serve(_made, TESTER_VOICES, DEFAULT_PROFILE, baud=115_200)
