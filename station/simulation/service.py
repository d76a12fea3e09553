"""Serves a simulated instrument on a pseudo-terminal, at the pace of a real line.

Standard output carries JSON lines: first ``{"port": "/dev/pts/N"}``, then one answer per command.
Standard input takes the commands, one JSON object per line: what a person's hands do in the
simulated world (`SimulatedDevice.handle`), ``{"fault": NAME}`` for what befalls the line or the
instrument, and after the fault ``unplugged`` ``{"plug": SERIAL_NUMBER}`` to plug it in again.
The process ends when standard input does.
"""

import argparse
import json
import os
import selectors
import signal
import stat
import sys
import time
import tty
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Literal, Protocol, get_args

import numpy as np
from pydantic import ValidationError

from station.errors import BadInput
from station.files import first_fault
from station.instruments.framing import LineSplitter
from station.simulation.physics import Specimen
from station.simulation.voices import MeterVoice, TesterVoice

LineFault = Literal["late", "split", "dribbled", "garbled", "unplugged", "silent"]
"""What happens to the bytes on their way."""
DeviceFault = Literal["wrong_unit", "sentinel", "drift", "stuck"]
"""What goes wrong in the instrument."""

LINE_FAULTS: tuple[LineFault, ...] = get_args(LineFault)
DEVICE_FAULTS: tuple[DeviceFault, ...] = get_args(DeviceFault)

_TICK_S = 0.002
_LATE_S = 2.0
_DRIBBLE_S = 0.3
_GARBLED_FRACTION = 0.3
_LONGEST_COMMAND = 65_536


class SimulatedDevice(Protocol):
    """What a simulated instrument must be able to do; times are monotonic s."""

    serial_number: str

    def receive(self, line: bytes, now_s: float) -> None:
        """Take a line that the station sent."""

    def due(self, now_s: float) -> bytes:
        """Return what it has to say by now."""

    def next_due_s(self, now_s: float) -> float:
        """Return when it will next have something to say; infinity for not before asked."""

    def befall(self, fault: DeviceFault | Literal["none"]) -> None:
        """Let something go wrong inside, or be well again."""

    def handle(self, command: dict[str, object], now_s: float) -> None:
        """Do what a person's hands do; `BadInput` when that is not possible."""


class Pace:
    """Lets bytes leave one after the other at a steady rate; an idle line saves nothing up."""

    def __init__(self, bytes_per_s: float) -> None:
        self.bytes_per_s = bytes_per_s
        self.free_s = 0.0
        """When the next byte may leave, in s on the caller's clock."""

    def allowed(self, waiting: int, now_s: float) -> int:
        """Return how many of the bytes that are waiting leave now."""
        if not waiting:
            self.free_s = max(self.free_s, now_s)
        if not waiting or now_s < self.free_s:
            return 0
        count = int(min((now_s - self.free_s) * self.bytes_per_s + 1, waiting))
        self.free_s += count / self.bytes_per_s
        return count


class PtyService:
    """The line of one simulated instrument, and the loop that serves it.

    Parameters
    ----------
    device
        The instrument.
    bytes_per_s
        Pace of the line: a tenth of the baud rate. Infinity for as fast as can be.
    rng
        Decides which bytes the fault ``garbled`` hits and where ``split`` cuts.
    command_end
        What ends a line from the station.
    link
        A path to keep pointing to the pseudo-terminal, as the names of ports by id do.
    """

    def __init__(
        self,
        device: SimulatedDevice,
        bytes_per_s: float,
        rng: np.random.Generator,
        *,
        command_end: bytes = b"\n",
        link: Path | None = None,
    ) -> None:
        self._device = device
        self._bytes_per_s = bytes_per_s
        self._rng = rng
        self._fault: LineFault | Literal["none"] = "none"
        self._outgoing = bytearray()
        self._held_back: deque[tuple[float, bytes]] = deque()
        self._pace = Pace(bytes_per_s)
        self._from_station = LineSplitter(command_end, _LONGEST_COMMAND)
        self._from_hands = LineSplitter(b"\n", _LONGEST_COMMAND)
        self._link = link
        self._selector = selectors.SelectSelector()
        self._selector.register(sys.stdin.fileno(), selectors.EVENT_READ, self._read_hands)
        self._open()

    @property
    def port(self) -> str:
        """The path by which a station opens it."""
        return os.ttyname(self._slave) if self._link is None else str(self._link)

    def _open(self) -> None:
        self._master, self._slave = os.openpty()
        # Raw from the start: a cooked line echoes what comes before the station opens it. The
        # slave stays open here, so that the line outlives a station that closes and opens again.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._selector.register(self._master, selectors.EVENT_READ, self._read_station)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(os.ttyname(self._slave))

    def run(self) -> None:
        """Announce the port, then serve until standard input ends."""
        _answer({"port": self.port})
        running = True
        while running:
            now_s = time.monotonic()
            if not (self._unpaced and self._outgoing):
                self._hold(self._device.due(now_s), now_s)
            self._write_due(now_s)
            for key, _ in self._selector.select(self._pause_s(time.monotonic())):
                read: Callable[[], bool] = key.data
                running = read() and running

    def _pause_s(self, now_s: float) -> float | None:
        next_s = self._pace.free_s if self._outgoing else self._device.next_due_s(now_s)
        if self._held_back:
            next_s = min(next_s, self._held_back[0][0])
        return None if next_s == float("inf") else max(_TICK_S, next_s - now_s)

    def _read_station(self) -> bool:
        for line in self._from_station.feed(os.read(self._master, 4096)):
            self._device.receive(line, time.monotonic())
        return True

    def _read_hands(self) -> bool:
        chunk = os.read(sys.stdin.fileno(), 65_536)
        for line in self._from_hands.feed(chunk):
            try:
                self._obey(json.loads(line))
            except (BadInput, ValueError) as error:
                _answer({"ok": False, "error": str(error)})
            else:
                _answer({"ok": True, "port": None if self._fault == "unplugged" else self.port})
        if not chunk and not stat.S_ISFIFO(os.fstat(sys.stdin.fileno()).st_mode):
            # A station that started it closes its pipe to end it; by hand it comes as a surprise.
            print(
                "The simulated instrument ends, because its input is closed: start it in a "
                "terminal of its own, not in the background.",
                file=sys.stderr,
            )
        return bool(chunk)

    def _obey(self, command: object) -> None:
        match command:
            case {"fault": fault}:
                self._befall(fault)
            case {"plug": str(serial_number)}:
                self._plug(serial_number)
            case dict():
                self._device.handle(command, time.monotonic())
            case _:
                raise BadInput(f"A command is a JSON object, not {command!r}.")

    def _befall(self, fault: object) -> None:
        inside = next((name for name in DEVICE_FAULTS if name == fault), None)
        outside = next((name for name in LINE_FAULTS if name == fault), None)
        if fault != "none" and inside is None and outside is None:
            known = ", ".join(("none", *LINE_FAULTS, *DEVICE_FAULTS))
            raise BadInput(f"There is no fault {fault!r}; there are {known}.")
        if self._fault == "unplugged":
            raise BadInput("The instrument is unplugged; plug it in first.")
        self._device.befall(inside or "none")
        self._fault = outside or "none"
        self._pace.bytes_per_s = 1 / _DRIBBLE_S if outside == "dribbled" else self._bytes_per_s
        if outside == "unplugged":
            self._unplug()

    def _unplug(self) -> None:
        self._selector.unregister(self._master)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        os.close(self._master)
        os.close(self._slave)

    def _plug(self, serial_number: str) -> None:
        if self._fault != "unplugged":
            raise BadInput("The instrument is plugged in; unplug it first.")
        self._device.serial_number = serial_number
        self._from_station.reset()
        self._fault = "none"
        self._open()

    def _hold(self, said: bytes, now_s: float) -> None:
        if said and self._fault == "late":
            self._held_back.append((now_s + _LATE_S, said))
            return
        while self._held_back and self._held_back[0][0] <= now_s:
            self._outgoing += self._held_back.popleft()[1]
        self._outgoing += said

    def _write_due(self, now_s: float) -> None:
        if self._fault in ("silent", "unplugged"):
            self._outgoing.clear()
            self._held_back.clear()
        count = self._pace.allowed(len(self._outgoing), now_s)
        if count and self._fault == "split":
            count = int(self._rng.integers(1, count + 1))
        if count:
            data = bytes(self._outgoing[:count])
            del self._outgoing[: self._write(data)]

    @property
    def _unpaced(self) -> bool:
        return self._bytes_per_s == float("inf")

    def _write(self, data: bytes) -> int:
        """Write what the line takes; return how many bytes are done with."""
        if self._fault == "garbled":
            noise = self._rng.integers(1, 256, len(data))
            hit = self._rng.random(len(data)) < _GARBLED_FRACTION
            data = bytes(np.where(hit, noise, 0).astype(np.uint8) ^ np.frombuffer(data, np.uint8))
        try:
            written = os.write(self._master, data)
        except BlockingIOError:
            written = 0
        # Nobody reads: a real line would go on sending and the bytes would be gone. One without a
        # pace waits instead, so that nothing is lost to a reader that is late.
        return written if self._unpaced else len(data)


def serve(
    made: Callable[[argparse.Namespace, np.random.Generator], SimulatedDevice],
    voices: Mapping[str, MeterVoice] | Mapping[str, TesterVoice],
    default: str,
    *,
    baud: int,
) -> None:
    """Run a simulated instrument by its command line until standard input ends.

    Parameters
    ----------
    made
        Makes it by its options.
    voices
        The dialects that it can speak, one of them by default.
    """
    parser = argparse.ArgumentParser(description="A simulated instrument.")
    parser.add_argument("--profile", choices=voices, default=default, help="dialect to speak")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baud", type=int, default=baud)
    parser.add_argument("--serial-number", default="0001")
    parser.add_argument("--link", type=Path, help="path to keep pointing to the port")
    parser.add_argument(
        "--no-pacing", action="store_true", help="bytes go out at once, time may run faster"
    )
    options = parser.parse_args()
    # Ended the normal way, so that the line closes.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: sys.exit(0))
    rng = np.random.default_rng(options.seed)
    bytes_per_s = float("inf") if options.no_pacing else options.baud / 10
    command_end = voices[options.profile].command_end
    device = made(options, rng)
    PtyService(device, bytes_per_s, rng, command_end=command_end, link=options.link).run()


def mounted(fields: object) -> Specimen:
    """Read the specimen of a ``mount`` command; `BadInput` names the first wrong field."""
    try:
        return Specimen.model_validate(fields)
    except ValidationError as error:
        raise BadInput(f"No such specimen: {first_fault(error, Specimen)}.") from error


def _answer(document: dict[str, object]) -> None:
    sys.stdout.write(json.dumps(document) + "\n")
    sys.stdout.flush()
