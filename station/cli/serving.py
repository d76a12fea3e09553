"""Serving the page: who could reach it, its address, its threads, and a clean end."""

import http.client
import os
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Any

from station.bench.bench import Bench
from station.cli.options import print_aside
from station.cli.systemd import Watchdog
from station.crimp.limits import LimitSets
from station.errors import AddressTaken, DataFileError, NotAllowed
from station.instruments.panel.base import BasePanel
from station.instruments.panel.gpio import open_panel
from station.instruments.panel.watch import PanelWatch
from station.jobs.plans import check_plans, load_plans
from station.ledger.store import Ledger
from station.settings import ANY_ADDRESS, PanelPins, Settings, is_loopback
from station.shop.secrets import SecretFile
from station.shop.sign_in import Doors, leads_with_secret
from station.shop.standards import load_standards
from station.simulation.panel import SimulatedPanel
from station.text import Say

MAX_HEADER_BYTES = 16 * 1024

SERVER_THREADS = 24
"""Pages that follow the bench hold a thread each; enough are left to answer others."""

ANSWER_WITHIN_S = 5.0
"""A page that takes longer to answer counts as hanging (our own choice)."""


def check_reach(ledger: Ledger, settings: Settings) -> None:
    """Refuse to serve other machines before a lead has a passphrase.

    Raises
    ------
    NotAllowed
        Nobody could sign in over the network.
    DataFileError
        The settings do not say by which names others reach the page.
    """
    if settings.open_to_this_machine_only:
        return
    reach = "behind a proxy" if settings.doors.behind_proxy else f"on {settings.host}"
    unnamed = settings.doors.behind_proxy or settings.host == ANY_ADDRESS
    if unnamed and not settings.doors.hosts:
        raise DataFileError(
            f"The page is not served {reach}: name the addresses that people open it by in the "
            "setting doors.hosts."
        )
    if not leads_with_secret(ledger.reader, SecretFile(ledger.path), passphrase=True):
        raise NotAllowed(
            f"The page is not served {reach}, where others can reach it: no lead has a passphrase "
            "yet. Run 'station people code' and 'station people first' at this console, then "
            "start again."
        )


def check_named(settings: Settings, limit_sets: LimitSets) -> None:
    """See that all the settings name is there, before the first sample needs it.

    The profiles are seen to where the instruments are taken in hand.

    Raises
    ------
    DataFileError
        A limit set or folder is named that there is none of, or a file cannot be read.
    """
    for name in settings.limits.set_ids:
        if name not in limit_sets.ids:
            raise DataFileError(
                f"The setting limits names {name!r}, and there is no such limit set: "
                f"name one of {', '.join(limit_sets.ids)}, or put its file into the folder that "
                "the setting limit_sets_folder names."
            )
    check_plans(load_plans(settings.plans_folder), limit_sets)
    load_standards(settings.standards_folder)


def warn_of_listeners(settings: Settings, say: Say) -> None:
    """Say what plain HTTP on a network means."""
    if not is_loopback(settings.host):
        say(
            "This page has no HTTPS: whoever listens on the network can read what passes, "
            "passphrases included. Put a proxy with HTTPS before it (firmware_notes/network.md)."
        )


def show_way_in(path: Path, say: Say) -> None:
    """Show the one-time code for the first lead, while there is none who can sign in."""
    with Ledger.open(path, create=False) as ledger:
        code = Doors(ledger, "command").show_code()
    if code is not None:
        say(
            f"No lead can sign in yet. One-time code for the first: {code} (under Sign in; good "
            "for one day). Measuring needs no sign-in."
        )


@contextmanager
def ended_by_sigterm() -> Iterator[None]:
    """Turn SIGTERM into a normal leave, so that ports and simulators are released."""

    previous = signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
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
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
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


def simulated_panel(pins: PanelPins | None) -> BasePanel:
    """A panel for a simulated bench: gpiozero's mock pins where they are set, else our own."""
    if pins is not None and os.environ.get("GPIOZERO_PIN_FACTORY") == "mock":
        return open_panel(pins, allow_mock=True)
    return SimulatedPanel()


def serve_bench(bench: Bench, panel: BasePanel, path: Path, listener: socket.socket) -> None:
    """Serve the page, watch the panel, keep the instruments connected, and tell systemd.

    Ends when the person stops it. A thread that died is told to systemd by silence: no pings.
    """
    trouble = panel.line().trouble
    if trouble:
        print_aside(trouble)
    bench.keep_connected()
    with ExitStack() as stack:
        watch = stack.enter_context(PanelWatch(panel, bench.take_event))
        health = partial(_health, listener.getsockname(), watch if panel.present else None)
        stack.enter_context(Watchdog(health))
        _serve_page(bench, path, listener)


def _health(address: tuple[str, int], watch: PanelWatch | None) -> str | None:
    """What is wrong with the panel or the page, in one sentence; None while all is well."""
    if watch is not None and (trouble := watch.trouble()):
        return trouble
    try:
        status, _ = page_answer(*address, "/static/icon.svg", ANSWER_WITHIN_S)
    except OSError as error:
        return f"The page does not answer ({error}): restart the station."
    return None if status == HTTPStatus.OK else f"The page answers with status {status}."


def page_answer(host: str, port: int, path: str, within_s: float) -> tuple[int, bytes]:
    """Status and content of a page that this machine serves (OSError, HTTPException)."""
    own = "127.0.0.1" if host == ANY_ADDRESS else host
    with closing(http.client.HTTPConnection(own, port, timeout=within_s)) as asked:
        asked.request("GET", path)
        answer = asked.getresponse()
        return answer.status, answer.read()


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


def _serve_page(bench: Bench, path: Path, listener: socket.socket) -> None:
    from web import create_app

    server = web_server(create_app(bench), listener)
    warn_of_listeners(bench.settings, print_aside)
    show_way_in(path, print_aside)
    host, port = listener.getsockname()
    print_aside(f"The page is on http://{host}:{port}/ - Ctrl-C ends it.")
    try:
        server.run()
    except KeyboardInterrupt:
        print_aside("Stopped.")
    finally:
        server.close()
