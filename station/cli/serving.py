"""Serving the page: its address, the panel's and watchdog's threads, and a clean end."""

import http.client
import os
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from http import HTTPStatus
from pathlib import Path
from types import FrameType
from typing import Any

from rich.console import Console

from station.bench.bench import Bench
from station.cli.entrance import show_way_in, warn_of_listeners
from station.cli.systemd import Watchdog
from station.errors import AddressTaken
from station.instruments.panel.base import BasePanel
from station.instruments.panel.gpio import open_panel
from station.instruments.panel.watch import PanelWatch
from station.settings import PanelPins
from station.simulation.panel import SimulatedPanel
from station.text import Say

MAX_HEADER_BYTES = 16 * 1024

SERVER_THREADS = 24
"""Pages that follow the bench hold a thread each; enough are left to answer others."""

ANSWER_WITHIN_S = 5.0
"""A page that takes longer to answer counts as hanging (our own choice)."""


@contextmanager
def ended_by_sigterm() -> Iterator[None]:
    """Turn SIGTERM into a normal leave, so that ports and simulators are released."""

    def leave(_signal: int, _frame: FrameType | None) -> None:
        sys.exit(0)

    previous = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, previous)


@contextmanager
def listening(host: str, port: int) -> Iterator[socket.socket]:
    """Take the page's address before anything long is done.

    Raises
    ------
    AddressTaken
        Another program has it, or it is not an address of this machine.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
            listener.listen(128)
        except OSError as error:
            raise AddressTaken(
                f"The page cannot be served on {host} port {port} ({error.strerror}): stop the "
                "program that has it, or choose another with --port or in the settings."
            ) from error
        yield listener
    finally:
        listener.close()


def simulated_panel(pins: PanelPins | None) -> BasePanel:
    """A panel for a simulated bench: gpiozero's mock pins where they are set, else our own."""
    if pins is not None and os.environ.get("GPIOZERO_PIN_FACTORY") == "mock":
        return open_panel(pins, allow_mock=True)
    return SimulatedPanel()


def serve_bench(
    bench: Bench, panel: BasePanel, path: Path, listener: socket.socket, say: Say
) -> None:
    """Serve the page, watch the panel, keep the instruments connected, and tell systemd.

    Ends when the person stops it. A thread that died is told to systemd by silence: no pings.
    """
    trouble = panel.line().trouble
    if trouble:
        say(trouble)
    bench.keep_connected()
    with ExitStack() as stack:
        watch = stack.enter_context(PanelWatch(panel, bench.take_event))
        health = partial(_health, listener.getsockname(), watch if panel.present else None)
        stack.enter_context(Watchdog(health))
        serve_page(bench, path, listener, say)


def _health(address: tuple[str, int], watch: PanelWatch | None) -> str | None:
    """What is wrong with the panel or the page, in one sentence; None while all is well."""
    if watch is not None and (trouble := watch.trouble()):
        return trouble
    host = "127.0.0.1" if address[0] == "0.0.0.0" else address[0]  # noqa: S104
    asked = http.client.HTTPConnection(host, address[1], timeout=ANSWER_WITHIN_S)
    try:
        asked.request("GET", "/static/icon.svg")
        status = asked.getresponse().status
    except OSError as error:
        return f"The page does not answer ({error}): restart the station."
    finally:
        asked.close()
    return None if status == HTTPStatus.OK else f"The page answers with status {status}."


def web_server(app: Any, listener: socket.socket) -> Any:
    """The server for an application, which is run by its ``run`` and ended by its ``close``."""
    import waitress.server

    return waitress.server.create_server(
        app,
        sockets=[listener],
        threads=SERVER_THREADS,
        # Refused before it is read; the application's own limit is the same.
        max_request_body_size=app.config["MAX_CONTENT_LENGTH"],
        max_request_header_size=MAX_HEADER_BYTES,
        # Nobody needs to know which server and version this is.
        ident=None,
    )


def serve_page(bench: Bench, path: Path, listener: socket.socket, say: Say) -> None:
    """Serve the page until the person stops it."""
    from web import create_app

    server = web_server(create_app(bench, path), listener)
    warn_of_listeners(bench.settings, say)
    show_way_in(path, say)
    host, port = listener.getsockname()
    say(f"The page is on http://{host}:{port}/ - Ctrl-C ends it.")
    try:
        server.run()
    except KeyboardInterrupt:
        say("Stopped.")
    finally:
        server.close()


def sentences(console: Console) -> Say:
    """A way to print plain sentences, unbroken, to the person at the console."""
    return lambda text: console.print(text, soft_wrap=True, markup=False)
