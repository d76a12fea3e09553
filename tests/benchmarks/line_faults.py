"""What can happen to a tester's lines on their way: one thing to one pull. Pure, seeded.

The bytes of a pull are written line by line in a tester's own voice; a fault changes numbers before
they are written, or bytes after. All of it is drawn within the pull, from the first climb to the
break: before and after there is nothing to be had.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from station.simulation.voices import TesterVoice

MICROS = 2**32
BAD_WORDS = ("ER", "LO", "HOLD", "E-3", "CAL")
"""Invented status words of testers that are not well; no shipped profile names one as good."""

BAD_FLAGS = ("2", "8", "10", "2A")
MORE_THAN_TRUE = (1.3, 3.0)
"""What a tester that is not well says is so many times too much."""


@dataclass(frozen=True)
class Said:
    """What a tester says of one pull, before it is written down."""

    numbers: np.ndarray
    """Forces in its first unit, shape (n,)."""
    counters: np.ndarray
    units: list[str]
    begin: int
    end: int
    """Samples of the first climb and of the break."""
    voice: TesterVoice
    rate_hz: float
    status: dict[int, str] = field(default_factory=dict)
    """Words in place of the usual status, by sample."""

    def lines(self) -> list[bytes]:
        """Every line, with its end."""
        micros = np.rint(np.arange(self.numbers.size) / self.rate_hz * 1e6).astype(np.int64)
        end = self.voice.answer_end
        return [
            (
                self.voice.said(
                    _with_status(self.voice, self.status.get(at)),
                    number,
                    counter=counter % 2**32,
                    micros=micros_now % MICROS,
                    unit=unit,
                )
                + end
            ).encode("ascii")
            for at, (number, counter, micros_now, unit) in enumerate(
                zip(self.numbers.tolist(), self.counters.tolist(), micros.tolist(), self.units,
                    strict=True)
            )
        ]  # fmt: skip


def _with_status(voice: TesterVoice, word: str | None) -> str:
    """The voice's line with another status; one that has none says the word after the number."""
    line = voice.line
    if word is None:
        return line
    if voice.checked:
        return line[: line.rindex(",") + 1] + word
    if line.endswith(",OK"):
        return line[:-2] + word
    if line.endswith(" S"):
        return line[:-1] + word[0]
    if line.startswith("{state}"):
        return word + line[len("{state}") :]
    return line.replace("{unit}", word) if "{unit}" in line else f"{line} {word}"


Cut = tuple[bytes, np.ndarray]
"""A stream and where each line's bytes end in it."""


def written(lines: list[bytes]) -> Cut:
    return b"".join(lines), np.cumsum([len(line) for line in lines])


def _spot(said: Said, rng: np.random.Generator) -> int:
    return int(rng.integers(said.begin, max(said.end + 1, said.begin + 1)))


def _byte(said: Said, cut: Cut, rng: np.random.Generator) -> int:
    """A byte of a line within the pull."""
    ends = cut[1]
    at = _spot(said, rng)
    return int(rng.integers(ends[at - 1] if at else 0, ends[at]))


def _replaced(cut: Cut, at: int, gone: int, new: bytes) -> Cut:
    """Put new bytes in place of some; the lines behind end sooner or later by as much."""
    stream, ends = cut
    gone = min(gone, len(stream) - at)
    moved = np.where(ends <= at, ends, np.maximum(ends - gone, at) + len(new))
    return stream[:at] + new + stream[at + gone :], moved


def _bit_flip(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    at = _byte(said, cut, rng)
    # Seven-bit lines have no eighth data bit to flip; parity is not looked at by a port.
    return _replaced(cut, at, 1, bytes([cut[0][at] ^ 1 << int(rng.integers(8))]))


def _byte_lost(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    return _replaced(cut, _byte(said, cut, rng), 1, b"")


def _byte_doubled(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    at = _byte(said, cut, rng)
    return _replaced(cut, at, 1, cut[0][at : at + 1] * 2)


def _block_lost(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    return _replaced(cut, _byte(said, cut, rng), int(rng.integers(1, 64)), b"")


def _line_repeated(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    at = _spot(said, rng)
    stream, ends = cut
    line = stream[int(ends[at - 1]) : int(ends[at])] if at else stream[: int(ends[0])]
    return _replaced(cut, int(ends[at]), 0, line)


def _lines_swapped(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    at = max(1, _spot(said, rng))
    stream, ends = cut
    begin, middle, end = (
        int(each) for each in (ends[at - 2] if at > 1 else 0, *ends[at - 1 : at + 1])
    )
    return _replaced(cut, begin, end - begin, stream[middle:end] + stream[begin:middle])


def _baud_noise(said: Said, cut: Cut, rng: np.random.Generator) -> Cut:
    count = int(rng.integers(5, 200))
    return _replaced(cut, _byte(said, cut, rng), count, rng.bytes(count))


ON_BYTES: dict[str, Callable[[Said, Cut, np.random.Generator], Cut]] = {
    "bit flip": _bit_flip,
    "byte lost": _byte_lost,
    "byte doubled": _byte_doubled,
    "block lost": _block_lost,
    "line repeated": _line_repeated,
    "lines swapped": _lines_swapped,
    "baud noise": _baud_noise,
}


def _status_word(said: Said, rng: np.random.Generator) -> Said:
    at, lines = _spot(said, rng), int(rng.integers(1, 30))
    numbers = said.numbers.copy()
    numbers[at : at + lines] *= rng.uniform(*MORE_THAN_TRUE)
    word = str(rng.choice(BAD_FLAGS if said.voice.checked else BAD_WORDS))
    return replace(said, numbers=numbers, status=dict.fromkeys(range(at, at + lines), word))


def _counter_jump(said: Said, rng: np.random.Generator) -> Said:
    at = _spot(said, rng)
    counters = said.counters.copy()
    counters[at:] += int(np.exp(rng.uniform(0.0, np.log(1e6))))
    return replace(said, counters=counters)


def _unit_change(said: Said, rng: np.random.Generator) -> Said:
    at = _spot(said, rng)
    (_, old_n), (other, new_n) = said.voice.units
    numbers = said.numbers.copy()
    numbers[at:] *= old_n / new_n
    return replace(said, numbers=numbers, units=said.units[:at] + [other] * (numbers.size - at))


def _stuck_force(said: Said, rng: np.random.Generator) -> Said:
    at = _spot(said, rng)
    lines = int(np.exp(rng.uniform(np.log(2.0), np.log(said.numbers.size))))
    numbers = said.numbers.copy()
    numbers[at : at + lines] = numbers[at]
    return replace(said, numbers=numbers)


ON_NUMBERS: dict[str, Callable[[Said, np.random.Generator], Said]] = {
    "status word": _status_word,
    "counter jump": _counter_jump,
    "unit change": _unit_change,
    "stuck force": _stuck_force,
}

FAULTS = (*ON_BYTES, *ON_NUMBERS)


def fits(fault: str, voice: TesterVoice) -> bool:
    """Whether a fault can befall a dialect at all."""
    return fault != "counter jump" or "{counter}" in voice.line


def apply(fault: str, said: Said, rng: np.random.Generator) -> Cut:
    """Write down what a tester says, with one fault in it; ``none`` for no fault."""
    if fault in ON_NUMBERS:
        said = ON_NUMBERS[fault](said, rng)
    cut = written(said.lines())
    return ON_BYTES[fault](said, cut, rng) if fault in ON_BYTES else cut
