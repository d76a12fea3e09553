"""Two hundred times unplugged in mid-pull and plugged in again.

Stated bounds: every pull in progress is void, every reconnection is identified, and no thread and
no file descriptor is left over at the end.
"""

import tempfile
import threading
import time
from functools import partial
from pathlib import Path

from station.errors import PortLost
from station.instruments.force_lines import ForceSample
from station.instruments.framing import Identity
from station.instruments.link import InstrumentLink, back_off
from station.instruments.port import LinePort
from station.instruments.profiles import load_tester_profile
from station.instruments.pull_tester import PullTester
from station.instruments.recording import PullLimits
from station.simulation.launch import SimulatedInstrument
from tests.benchmarks.report import Figures, run

CYCLES = 200
BEFORE_UNPLUGGING_N = 20.0


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def measure() -> Figures:
    with tempfile.TemporaryDirectory() as folder:
        link_path = Path(folder) / "tester-by-id"
        threads, open_files = threading.active_count(), descriptors()
        begun_s = time.perf_counter()
        with SimulatedInstrument("pull_tester", paced=False, link=link_path) as tester:
            void, identified = cycle(tester)
        figures = {
            "cycles": CYCLES,
            "pulls_void": void,
            "reconnections_identified": identified,
            "threads_left_over": threading.active_count() - threads,
            "descriptors_left_over": descriptors() - open_files,
            "seconds": time.perf_counter() - begun_s,
        }
    holds = (
        void == identified == CYCLES
        and figures["threads_left_over"] == 0
        and figures["descriptors_left_over"] == 0
    )
    return Figures("reconnect", figures, holds)


def cycle(instrument: SimulatedInstrument) -> tuple[int, int]:
    """Pull, unplug, plug in and connect again; return how many were void and identified."""
    profile = load_tester_profile("tester-stream-newton")

    def identify(port: LinePort) -> Identity:
        return PullTester(port, profile).identify()

    port = LinePort(instrument.port, profile.line, name="pull tester")
    link = InstrumentLink(port, identify, bound_serial="0001", pauses=partial(back_off, 0.01, 0.1))
    void = identified = 0
    link.connect()
    for _ in range(CYCLES):
        void += pull_is_void(instrument, PullTester(port, profile))
        plug = threading.Timer(0.02, instrument.command, ({"plug": "0001"},))
        plug.start()
        identity = link.reconnect(threading.Event())
        plug.join()
        identified += identity is not None and identity.serial == "0001"
    link.close()
    return void, identified


def pull_is_void(instrument: SimulatedInstrument, tester: PullTester) -> bool:
    state = {"pulled": False, "unplugged": False}

    def hands(sample: ForceSample) -> None:
        if not state["pulled"]:
            state["pulled"] = True
            instrument.command({"mount": {"break_force_n": 120.0}})
            instrument.command({"pull": True})
        elif not state["unplugged"] and (sample.force_n or 0.0) > BEFORE_UNPLUGGING_N:
            state["unplugged"] = True
            instrument.command({"fault": "unplugged"})

    try:
        tester.record(hands, threading.Event(), PullLimits(2.0, 0.5, 5.0, 120.0))
    except PortLost as error:
        return "this pull is void" in str(error)
    return False


if __name__ == "__main__":
    run(measure)
