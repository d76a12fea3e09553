"""Notices to systemd, heard on a Unix socket of our own.

The messages and variables are those of sd_notify(3) and sd_watchdog_enabled(3), as systemd's manual
pages give them [seen-1], tried over sockets. systemd itself was not at hand.
"""

import os
import socket
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from station.cli.systemd import Watchdog, notify, watchdog_period_s

LONG_S = 30.0


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.settimeout(LONG_S)
        yield ear


def environment(heard: socket.socket, **more: str) -> dict[str, str]:
    return {"NOTIFY_SOCKET": heard.getsockname(), **more}


def test_message_reaches_a_socket_in_the_file_system(heard: socket.socket) -> None:
    assert notify("READY=1", heard.getsockname())
    assert heard.recv(100) == b"READY=1"


def test_message_reaches_an_abstract_socket() -> None:
    name = f"crimp-station-{uuid.uuid4().hex}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"\0{name}")
        ear.settimeout(LONG_S)
        assert notify("WATCHDOG=1", f"@{name}")
        assert ear.recv(100) == b"WATCHDOG=1"


@pytest.mark.parametrize("address", [None, "", "@nobody-listens-here"])
def test_nobody_listening_is_no_error(address: str | None) -> None:
    assert not notify("READY=1", address)


@pytest.mark.parametrize(
    ("variables", "period_s"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "77"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "78"}, None),
        ({}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "٣"}, None),
    ],
)
def test_pings_come_at_half_of_what_is_asked_for(
    variables: dict[str, str], period_s: float | None
) -> None:
    """Half the interval: sd_watchdog_enabled(3)."""
    assert watchdog_period_s(variables, process_id=77) == period_s


def test_ready_then_pings_then_stopping(heard: socket.socket) -> None:
    variables = environment(heard, WATCHDOG_USEC="20000", WATCHDOG_PID=str(os.getpid()))
    with Watchdog(lambda: None, variables):
        assert heard.recv(100) == b"READY=1"
        assert [heard.recv(100) for _ in range(3)] == [b"WATCHDOG=1"] * 3
    heard.setblocking(False)
    last = b""
    try:
        while True:
            last = heard.recv(100)
    except BlockingIOError:
        assert last == b"STOPPING=1"


def test_no_ping_while_something_is_wrong_and_it_is_said_once(heard: socket.socket) -> None:
    wrong: list[str] = ["The panel is\nno longer watched."]
    watchdog = Watchdog(lambda: wrong[0] if wrong else None, environment(heard))
    assert not watchdog.ping()
    assert not watchdog.ping()
    wrong.clear()
    assert watchdog.ping()
    assert heard.recv(100) == b"STATUS=The panel is no longer watched."
    assert heard.recv(100) == b"WATCHDOG=1"


def test_health_that_raises_counts_as_bad(heard: socket.socket) -> None:
    def health() -> str | None:
        raise RuntimeError("no idea")

    assert not Watchdog(health, environment(heard)).ping()
    assert b"RuntimeError('no idea')" in heard.recv(200)


def test_outside_systemd_nothing_is_begun() -> None:
    with Watchdog(lambda: None, {}) as watchdog:
        assert not watchdog.ping()
