"""What it takes to start a command: modules loaded, and CPU beside that of importing numpy.

``python -m tests.benchmarks.start``. The bound: ``station wire "18 AWG"`` loads at most 350 modules
and takes at most 3 times the CPU (user and system) of ``python -c "import numpy"``. Each is run
several times in turn, and the least CPU of each counts: that is what the work takes.
"""

import os
import subprocess
import sys

from tests.benchmarks.report import Figures, run

COMMAND = ["wire", "18 AWG"]
MOST_MODULES = 350
MOST_TIMES_NUMPY = 3.0
ROUNDS = 7

NUMPY = [sys.executable, "-c", "import numpy"]
WIRE = [sys.executable, "-m", "station", *COMMAND]
COUNTED = """
import sys
from station.cli.main import run
ended = run(sys.argv[1:])
print(*sorted(sys.modules), file=sys.stderr)
sys.exit(ended)
"""


def modules_of(arguments: list[str]) -> set[str]:
    """The modules that are loaded when a command has ended."""
    ended = subprocess.run(
        [sys.executable, "-c", COUNTED, *arguments], capture_output=True, text=True, check=True
    )
    return set(ended.stderr.split())


def cpu_s(command: list[str]) -> float:
    """CPU of a process, user and system, in seconds."""
    started = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(started.pid, 0)
    # It was waited for here, so that nobody waits for it again.
    started.returncode = os.waitstatus_to_exitcode(status)
    if started.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {started.returncode}")
    return used.ru_utime + used.ru_stime


def measure() -> Figures:
    """Count and time."""
    rounds = [(cpu_s(NUMPY), cpu_s(WIRE)) for _ in range(ROUNDS)]
    numpy_s, wire_s = (min(column) for column in zip(*rounds, strict=True))
    modules, ratio = len(modules_of(COMMAND)), wire_s / numpy_s
    return Figures(
        "start",
        {
            "modules": modules,
            "modules_at_most": MOST_MODULES,
            "numpy_cpu_s": numpy_s,
            "wire_cpu_s": wire_s,
            "times_numpy": ratio,
            "times_numpy_at_most": MOST_TIMES_NUMPY,
        },
        holds=modules <= MOST_MODULES and ratio <= MOST_TIMES_NUMPY,
    )


if __name__ == "__main__":
    run(measure)
