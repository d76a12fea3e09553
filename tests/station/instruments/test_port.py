import errno
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from station.errors import (
    BadInput,
    InstrumentGarbled,
    InstrumentSilent,
    PortBusy,
    PortForbidden,
    PortLost,
    PortMissing,
)
from station.instruments import port as port_module
from station.instruments.dialects import LineSettings
from station.instruments.port import LinePort, available_ports
from tests.station.instruments.fakes import FarEnd, lines_waiting, wait_until

LINE = LineSettings(baud=9600, receive_end="\r\n")
LONG_S = 20.0
SHORT_S = 0.1


class Heard:
    """A trace that lets a test wait until the station has taken what was said."""

    def __init__(self) -> None:
        self.bytes = {"in": b"", "out": b""}
        self._changed = threading.Condition()

    def __call__(self, direction: str, data: bytes) -> None:
        with self._changed:
            self.bytes[direction] += data
            self._changed.notify_all()

    def wait_for(self, data: bytes) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: data in self.bytes["in"], LONG_S)


@pytest.fixture
def far() -> Iterator[FarEnd]:
    with FarEnd() as end:
        yield end


@pytest.fixture
def heard() -> Heard:
    return Heard()


@pytest.fixture
def port(far: FarEnd, heard: Heard) -> Iterator[LinePort]:
    with LinePort(far.path, LINE, name="meter", on_bytes=heard) as opened:
        yield opened


def test_lines_come_in_order_with_their_arrival_times(far: FarEnd, port: LinePort) -> None:
    far.say(b"1.5\r\n2.5\r\n")
    first, second = port.next_line(LONG_S), port.next_line(LONG_S)
    assert (first.data, second.data) == (b"1.5", b"2.5")
    assert first.at_s <= second.at_s


def test_what_is_sent_goes_out_as_it_is_and_is_traced(
    far: FarEnd, port: LinePort, heard: Heard
) -> None:
    port.send(b"READ?\n")
    assert far.hear() == b"READ?\n"
    assert heard.bytes["out"] == b"READ?\n"


def test_a_line_end_split_over_two_reads(far: FarEnd, port: LinePort, heard: Heard) -> None:
    far.say(b"12.3 N\r")
    heard.wait_for(b"\r")
    far.say(b"\n")
    assert port.next_line(LONG_S).data == b"12.3 N"


def test_a_line_cut_by_the_timeout_is_not_handed_out_and_not_lost(
    far: FarEnd, port: LinePort, heard: Heard
) -> None:
    far.say(b"12.3")
    heard.wait_for(b"12.3")
    with pytest.raises(InstrumentSilent, match=r"sent only '12.3' and no line end"):
        port.next_line(SHORT_S)
    far.say(b"4\r\n")
    assert port.next_line(LONG_S).data == b"12.34"


def test_silence_is_an_error_that_says_so(port: LinePort) -> None:
    with pytest.raises(InstrumentSilent, match="sent nothing within"):
        port.next_line(SHORT_S)


def test_a_dribble_does_not_stretch_the_timeout(far: FarEnd, port: LinePort) -> None:
    enough = threading.Event()

    def dribble() -> None:
        while not enough.wait(0.02):
            far.say(b"1")

    thread = threading.Thread(target=dribble)
    thread.start()
    # A timeout that began again with each byte would go on until the line is overlong.
    with pytest.raises(InstrumentSilent):
        port.next_line(0.3)
    enough.set()
    thread.join()


def test_ten_kilobytes_without_a_line_end(far: FarEnd, port: LinePort) -> None:
    far.say(b"x" * 10_240 + b"\r\n1.5\r\n")
    with pytest.raises(InstrumentGarbled, match="without a line end"):
        port.next_line(LONG_S)
    assert port.next_line(LONG_S).data == b"1.5"


def test_discard_drops_lines_and_the_one_that_has_begun(
    far: FarEnd, port: LinePort, heard: Heard
) -> None:
    far.say(b"old\r\nol")
    heard.wait_for(b"old\r\nol")
    wait_until(lambda: lines_waiting(port) == 1)
    port.discard()
    assert lines_waiting(port) == 0
    far.say(b"new\r\n")
    assert port.next_line(LONG_S).data == b"new"


def test_a_queue_that_nobody_empties_keeps_the_newest(
    far: FarEnd, heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(port_module, "QUEUED_LINES", 3)
    with LinePort(far.path, LINE, name="tester", on_bytes=heard) as port:
        far.say(b"1\r\n2\r\n3\r\n4\r\n5\r\nlast\r\n")
        heard.wait_for(b"last\r\n")
        # The trace is called before the line is cut, so one more line marks the end.
        far.say(b"6\r\n")
        heard.wait_for(b"6\r\n")
        taken = [port.next_line(LONG_S).data]
        while taken[-1] != b"6":
            taken.append(port.next_line(LONG_S).data)
        assert b"1" not in taken
        assert taken[-2:] == [b"last", b"6"]


def test_unplugging_in_mid_line_keeps_what_was_whole(
    far: FarEnd, port: LinePort, heard: Heard
) -> None:
    far.say(b"1.5\r\n2.")
    heard.wait_for(b"2.")
    far.unplug()
    assert port.next_line(LONG_S).data == b"1.5"
    with pytest.raises(PortLost, match="meter is gone; check cable"):
        port.next_line(LONG_S)
    with pytest.raises(PortLost, match="is gone"):
        port.send(b"READ?\n")


def test_a_lost_port_lets_go_of_its_device_file(far: FarEnd, port: LinePort) -> None:
    far.unplug()
    with pytest.raises(PortLost):
        port.next_line(LONG_S)
    port.close()
    held = []
    for entry in Path("/proc/self/fd").iterdir():
        try:
            held.append(str(entry.readlink()))
        except FileNotFoundError:
            continue
    assert not [name for name in held if name.startswith(far.path + " ") or name == far.path]


def test_closing_wakes_who_waits_and_may_be_repeated(port: LinePort) -> None:
    errors: list[BaseException] = []

    def wait() -> None:
        try:
            port.next_line(LONG_S)
        except PortLost as error:
            errors.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    port.close()
    waiting.join()
    port.close()
    assert "is closed" in str(errors[0])
    with pytest.raises(PortLost, match="is closed; open it again"):
        port.send(b"x")


def test_a_port_may_be_opened_again(far: FarEnd, port: LinePort) -> None:
    port.close()
    port.open()
    port.open()
    far.say(b"back\r\n")
    assert port.next_line(LONG_S).data == b"back"


def test_a_port_that_was_never_opened_says_so() -> None:
    port = LinePort("/dev/any", LINE, name="meter")
    with pytest.raises(PortLost, match="is not open; open it first"):
        port.next_line(0)


def test_an_error_in_the_reading_thread_reaches_the_caller(far: FarEnd) -> None:
    def fail(direction: str, data: bytes) -> None:
        raise RuntimeError("no room for the trace")

    with LinePort(far.path, LINE, name="meter", on_bytes=fail) as port:
        far.say(b"1\r\n")
        with pytest.raises(PortLost, match="no room for the trace") as caught:
            port.next_line(LONG_S)
        assert isinstance(caught.value.__cause__, RuntimeError)


def test_a_held_port_is_busy(far: FarEnd, port: LinePort) -> None:
    with pytest.raises(PortBusy, match="held by another program"):
        LinePort(far.path, LINE, name="tester").open()
    far.say(b"still mine\r\n")
    assert port.next_line(LONG_S).data == b"still mine"


def test_a_missing_device(tmp_path: Path) -> None:
    with pytest.raises(PortMissing, match=r"There is no port .* of the meter; plug in"):
        LinePort(str(tmp_path / "ttyUSB0"), LINE, name="meter").open()


def test_a_device_that_is_no_serial_port() -> None:
    with pytest.raises(PortMissing, match="no working serial port"):
        LinePort("/dev/null", LINE, name="meter").open()


def test_no_permission(far: FarEnd, monkeypatch: pytest.MonkeyPatch) -> None:
    # Tests may run as root, whom no file refuses; so the system call does.
    def refuse(path: str, *_: object) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)

    monkeypatch.setattr(os, "open", refuse)
    port = LinePort(far.path, LINE, name="meter")
    with pytest.raises(PortForbidden, match="group dialout"):
        port.open()


def test_an_impossible_url() -> None:
    with pytest.raises(BadInput, match="cannot be opened"):
        LinePort("nonsense://x", LINE, name="meter").open()


def test_a_break_can_be_sent(far: FarEnd, port: LinePort) -> None:
    port.send_break()
    far.unplug()
    with pytest.raises(PortLost):
        port.next_line(LONG_S)
    with pytest.raises(PortLost):
        port.send_break()


def test_ports_are_listed_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    def found() -> list[ListPortInfo]:
        ports = [ListPortInfo("/dev/ttyUSB1"), ListPortInfo("/dev/ttyUSB0")]
        ports[0].serial_number = "17"
        return ports

    monkeypatch.setattr(list_ports, "comports", found)
    listed = available_ports()
    assert [(port.url, port.serial_number) for port in listed] == [
        ("/dev/ttyUSB0", ""),
        ("/dev/ttyUSB1", "17"),
    ]


def test_a_port_server_is_spoken_to_by_raw_tcp_and_its_end_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = LinePort(f"socket://127.0.0.1:{server.getsockname()[1]}", LINE, name="meter")
        with port:
            far, _ = server.accept()
            with far:
                port.send(b"*IDN?\n")
                assert far.recv(100) == b"*IDN?\n"
                far.sendall(b"ANY,METER,17,2\r\n")
                assert port.next_line(LONG_S).data == b"ANY,METER,17,2"
            with pytest.raises(PortLost, match="is gone"):
                port.next_line(LONG_S)


def test_a_port_server_that_is_not_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
    with pytest.raises(PortMissing, match="no working serial port"):
        LinePort(url, LINE, name="meter").open()


def test_rfc_2217_is_refused_with_what_to_do_instead() -> None:
    with pytest.raises(BadInput, match=r"write socket://HOST:PORT"):
        LinePort("rfc2217://127.0.0.1:4000", LINE, name="meter").open()
