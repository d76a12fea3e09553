"""Serving the page: who could reach it, its address, its threads, and a clean end."""

import http.client
import os
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from station.bench.bench import Bench
from station.bench.board import Stage
from station.cli.options import print_aside
from station.cli.systemd import Watchdog
from station.crimp.limits import LimitSets
from station.errors import AddressTaken, DataFileError, NotAllowed
from station.instruments.panel.base import BasePanel
from station.instruments.panel.gpio import open_panel
from station.instruments.panel.watch import PanelWatch
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.plans import check_plans, chosen_plan, load_plans
from station.ledger.store import Ledger
from station.settings import ANY_ADDRESS, PanelPins, Settings, is_loopback
from station.shop.secrets import SecretFile
from station.shop.sign_in import Doors, leads_with_secret
from station.shop.standards import load_standards
from station.simulation.panel import SimulatedPanel
from station.text import Say

if TYPE_CHECKING:
    from station.cli.page_server import PageServer

ANSWER_WITHIN_S = 5.0
"""A page that takes longer to answer counts as hanging (our own choice)."""

LONGEST_PULL_S = 600.0
"""A pull that seems to take longer does not keep a broken station from being started anew."""


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
    chosen_plan(settings, DailyCheckPlan)
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
    server = _page_server(bench, listener)
    with ExitStack() as stack:
        watch = stack.enter_context(PanelWatch(panel, bench.take_event))
        health = Health(bench, server.trouble, watch.trouble if panel.present else None)
        stack.enter_context(Watchdog(health))
        _serve_page(bench, path, listener, server)


class Health:
    """What is wrong with the panel or the page, in one sentence; None while all is well.

    In the middle of a pull nothing is, for a restart would lose what is measured. Both are asked
    from within, by doors that nobody from outside can fill.
    """

    def __init__(self, bench: Bench, *asked: Callable[[], str | None] | None) -> None:
        self._bench = bench
        self._asked = [one for one in asked if one is not None]
        self._well_s = time.monotonic()

    def __call__(self) -> str | None:
        """Ask them all."""
        trouble = next(filter(None, (ask() for ask in self._asked)), None)
        now_s = time.monotonic()
        pulling = self._bench.board.state.stage is Stage.PULLING
        if trouble is None or (pulling and now_s - self._well_s < LONGEST_PULL_S):
            self._well_s = now_s if trouble is None else self._well_s
            return None
        return trouble


def page_answer(host: str, port: int, path: str, within_s: float) -> tuple[int, bytes]:
    """Status and content of a page that this machine serves (OSError, HTTPException)."""
    own = "127.0.0.1" if host == ANY_ADDRESS else host
    with closing(http.client.HTTPConnection(own, port, timeout=within_s)) as asked:
        asked.request("GET", path)
        answer = asked.getresponse()
        return answer.status, answer.read()


def _page_server(bench: Bench, listener: socket.socket) -> "PageServer":
    from station.cli.page_server import PageServer
    from web import create_app

    return PageServer(create_app(bench), listener)


def _serve_page(bench: Bench, path: Path, listener: socket.socket, server: "PageServer") -> None:
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
