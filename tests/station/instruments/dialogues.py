"""Plays a written exchange between station and instrument, and fails on any word out of place.

``> text`` is what the station must send next, ``< text`` what then arrives, ``! silent`` that
nothing does, ``= value`` what the driver must make of it (ohm, newton, or the name of an error).
Escapes are those of Python; lines that begin with # are remarks.
"""

from dataclasses import dataclass, field
from pathlib import Path

from station.errors import InstrumentGarbled, InstrumentSilent
from station.instruments.dialects import LineSettings
from station.instruments.framing import LineSplitter, Overlong
from station.instruments.port import LinePort, ReceivedLine

FOLDER = Path(__file__).parents[2] / "dialogues"


@dataclass
class Transcript:
    steps: list[tuple[str, bytes]] = field(default_factory=list)
    expected: list[str] = field(default_factory=list)


def read_transcript(name: str) -> Transcript:
    transcript = Transcript()
    for line in (FOLDER / f"{name}.txt").read_text(encoding="ascii").splitlines():
        kind, _, text = line.partition(" ")
        if kind == "=":
            transcript.expected.append(text)
        elif kind in ("<", ">", "!"):
            data = text.encode("ascii").decode("unicode_escape").encode("latin-1")
            transcript.steps.append((kind, data))
        else:
            assert not line or line.startswith("#"), line
    return transcript


class TranscriptPort(LinePort):
    """A port whose far end is a transcript; time passes with each line."""

    def __init__(self, transcript: Transcript, line: LineSettings) -> None:
        super().__init__("transcript", line, name="instrument")
        self._steps = transcript.steps
        self._cutter = LineSplitter(line.receive_end.encode("ascii"))
        self._arrived: list[bytes] = []
        self._now_s = 0.0

    @property
    def left_over(self) -> list[tuple[str, bytes]]:
        return self._steps

    def send(self, data: bytes) -> None:
        assert self._steps, f"{data!r} was sent after the end of the transcript"
        kind, expected = self._steps.pop(0)
        assert (kind, expected) == (">", data)

    def discard(self) -> None:
        self._arrived.clear()
        self._cutter.reset()

    def next_line(self, timeout_s: float) -> ReceivedLine:
        while not self._arrived and self._steps and self._steps[0][0] == "<":
            self._arrived += self._cutter.feed(self._steps.pop(0)[1])
        if self._steps and self._steps[0][0] == "!" and not self._arrived:
            self._steps.pop(0)
            raise InstrumentSilent("as the transcript says")
        if not self._arrived:
            raise InstrumentSilent(f"the transcript has no line here, next is {self._steps[:1]}")
        self._now_s += 0.01
        line = self._arrived.pop(0)
        if isinstance(line, Overlong):
            raise InstrumentGarbled("as the transcript says")
        return ReceivedLine(self._now_s, line)
