"""The far end of a pseudo-terminal, played by a test: what it hears and says is the test's word."""

import os
import select
import threading
import time
import tty
from collections.abc import Callable
from typing import Self

from station.instruments.port import LinePort

Answer = Callable[[bytes], bytes | None]


class FarEnd:
    """A pseudo-terminal whose master side the test holds.

    Raw and with its slave held open before the station opens it: a cooked line would echo what is
    written before, and opening would flush it.
    """

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._open = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def say(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def hear(self) -> bytes:
        return os.read(self._master, 4096)

    def unplug(self) -> None:
        if self._open:
            self._open = False
            os.close(self._master)
            os.close(self._slave)


class Responder(FarEnd):
    """Answers each line that it hears with what ``answer`` returns; keeps what it heard."""

    def __init__(self, answer: Answer, line_end: bytes = b"\n") -> None:
        super().__init__()
        self.answer = answer
        self.heard: list[bytes] = []
        self._line_end = line_end
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self.cut()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def cut(self) -> None:
        """Unplug while the station listens."""
        os.write(self._wake_write, b"x")
        self._thread.join()
        self.unplug()

    def _serve(self) -> None:
        partial = b""
        while True:
            readable, _, _ = select.select([self._master, self._wake_read], [], [])
            if self._wake_read in readable:
                return
            *lines, partial = (partial + self.hear()).split(self._line_end)
            for line in lines:
                self.heard.append(line)
                reply = self.answer(line)
                if reply is not None:
                    self.say(reply)


class ScriptedMeter:
    """Answers as a meter would; a test replaces single answers."""

    def __init__(self) -> None:
        self.readings: list[bytes] = []
        self.answers: dict[bytes, bytes | None] = {
            b"*IDN?": b"ANY,METER,17,2\n",
            b"*ESR?": b"0\n",
            b"*OPC?": b"1\n",
            b"SYST:ERR?": b'0,"No error"\n',
            b"FRES:RANG?": b"+1.00000000E-02\n",
            b"FRES:NPLC?": b"1\n",
            b"FRES:OCOM?": b"1\n",
        }

    def __call__(self, line: bytes) -> bytes | None:
        if line == b"READ?" and self.readings:
            return self.readings.pop(0)
        return self.answers.get(line)


def lines_waiting(port: LinePort) -> int:
    """How many lines came and were not taken yet."""
    with port._changed:
        return port._waiting


def wait_until(condition: Callable[[], bool], within_s: float = 20.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline_s, "it never came"
        threading.Event().wait(0.001)
