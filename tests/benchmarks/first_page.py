"""What the demo's first page costs: ``python -m tests.benchmarks.first_page``.

CPU seconds (user and system, of the station and the simulators) from a fresh ledger to the first
answer of the page; and the same in times of starting Python with numpy and matplotlib, which does
not hang on the machine as much.
"""

import argparse
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from urllib.error import URLError

MOST_CPU_S = 12.0
_PATIENCE_S = 600.0
_LOOK_EVERY_S = 0.1
_UNIT = [sys.executable, "-c", "import numpy, matplotlib.figure"]


def first_page_cpu_s(folder: Path) -> float:
    """Start the demo on a fresh ledger, ask for its first page, end it; CPU seconds of it all."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    command = [sys.executable, "-m", "station", "demo", "--port", str(port)]
    before_s = _children_cpu_s()
    station = subprocess.Popen(
        [*command, "--ledger", str(folder / "demo.ledger")],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        _await_page(f"http://127.0.0.1:{port}/", station)
    finally:
        station.terminate()
        station.wait(timeout=60.0)
    return _children_cpu_s() - before_s


def unit_cpu_s() -> float:
    """CPU seconds of starting Python with numpy and matplotlib: the least of three."""
    taken = []
    for _ in range(3):
        before_s = _children_cpu_s()
        subprocess.run(_UNIT, check=True)
        taken.append(_children_cpu_s() - before_s)
    return min(taken)


def _await_page(address: str, station: subprocess.Popen[bytes]) -> None:
    # The port is open before the page is; what is asked for then waits until it answers.
    until_s = time.monotonic() + _PATIENCE_S
    while station.poll() is None and time.monotonic() < until_s:
        try:
            with urllib.request.urlopen(address, timeout=_PATIENCE_S) as answer:
                answer.read()
        except (URLError, ConnectionError):
            time.sleep(_LOOK_EVERY_S)
        else:
            return
    raise SystemExit(f"No page came within {_PATIENCE_S:g} s.")


def _children_cpu_s() -> float:
    spent = os.times()
    return spent.children_user + spent.children_system


def main() -> None:
    """Measure, print, and hold against the bound."""
    parser = argparse.ArgumentParser(description="CPU from a fresh ledger to the first page.")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        page_s = first_page_cpu_s(Path(folder))
    unit_s = unit_cpu_s()
    figures = {"cpu_s": page_s, "unit_cpu_s": unit_s, "ratio": page_s / unit_s}
    holds = page_s <= MOST_CPU_S
    if options.json:
        print(json.dumps({"name": "first_page", "figures": figures, "holds": holds}))
        return
    print(f"CPU to the first page, s           {page_s:7.2f}   at most {MOST_CPU_S:g}")
    print(f"CPU of numpy and matplotlib, s     {unit_s:7.2f}")
    print(f"the one over the other             {page_s / unit_s:7.1f}")
    print("holds" if holds else "does not hold")


if __name__ == "__main__":
    main()
