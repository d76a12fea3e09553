"""Telling systemd how the station is: ready, alive, stopping. Does nothing where systemd is not.

The protocol is systemd's own (``sd_notify(3)``): datagrams of ``NAME=value`` to a Unix socket whose
address the environment gives. A ping is sent only while a health function says that all is well, so
that systemd starts the station anew when a thread has died or hangs.
"""

import os
import socket
import threading
from collections.abc import Callable, Mapping
from typing import Self

Health = Callable[[], str | None]
"""Returns None while all is well, else what is wrong in one sentence."""

PINGS_PER_TIMEOUT = 2


def notify(message: str, address: str | None) -> bool:
    """Send a message such as ``READY=1`` to systemd; return whether it was sent.

    Parameters
    ----------
    address
        The value of ``NOTIFY_SOCKET``; ``@`` begins an abstract address. None: not under systemd.

    Notes
    -----
    A service that cannot be heard goes on with its work: no error is raised.
    """
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.sendto(message.encode(), address)
    except OSError:
        return False
    return True


def watchdog_period_s(environment: Mapping[str, str], process_id: int) -> float | None:
    """Return how often to ping, in s, or None where systemd asks for no pings of this process.

    Half of ``WATCHDOG_USEC``, as ``sd_watchdog_enabled(3)`` advises.
    """
    if environment.get("WATCHDOG_PID", str(process_id)) != str(process_id):
        return None
    microseconds = environment.get("WATCHDOG_USEC", "")
    if not (microseconds.isascii() and microseconds.isdigit() and int(microseconds) > 0):
        return None
    return int(microseconds) * 1e-6 / PINGS_PER_TIMEOUT


class Watchdog:
    """Says READY on entering, pings while `health` is good, says STOPPING on leaving.

    Parameters
    ----------
    health
        Asked before every ping. One that raises, or never returns, ends the pings too.
    environment
        Where systemd's variables are; the process's own by default.
    """

    def __init__(self, health: Health, environment: Mapping[str, str] | None = None) -> None:
        environment = os.environ if environment is None else environment
        self._health = health
        self._address = environment.get("NOTIFY_SOCKET")
        self._period_s = watchdog_period_s(environment, os.getpid())
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._said: str | None = None

    def __enter__(self) -> Self:
        notify("READY=1", self._address)
        if self._address and self._period_s is not None:
            self._thread = threading.Thread(target=self._run, name="watchdog", daemon=True)
            self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        notify("STOPPING=1", self._address)
        if self._thread is not None:
            self._thread.join(timeout=5.0)

    def ping(self) -> bool:
        """Ping if all is well; otherwise tell systemd once what is wrong. Return whether pinged."""
        try:
            wrong = self._health()
        except Exception as error:
            wrong = f"The station's health could not be told ({error!r})."
        if wrong is None:
            self._said = None
            return notify("WATCHDOG=1", self._address)
        if wrong != self._said:
            self._said = wrong
            notify(f"STATUS={' '.join(wrong.split())}", self._address)
        return False

    def _run(self) -> None:
        self.ping()
        while not self._stopping.wait(self._period_s):
            self.ping()
