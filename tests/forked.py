"""Simulated instruments forked from one process that has imported them already.

Tests start some hundreds; most of what each costs is loading numpy and pydantic. Their lines,
seeds and pace, and how they end, are those of processes started one by one, which
``tests/station/simulation/test_launch.py`` tries.
"""

import multiprocessing
import os
import runpy
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

_server = multiprocessing.get_context("forkserver")
_server.set_forkserver_preload(
    ["station.simulation.service", "station.simulation.voices", "tests.forked"]
)


class Forked:
    """As much of `subprocess.Popen` as a simulated instrument needs."""

    def __init__(self, command: list[str], **_: object) -> None:
        (far_in, near_in), (near_out, far_out) = _server.Pipe(False), _server.Pipe(False)
        self._process = _server.Process(
            target=_run, args=(command[2:], far_in, far_out), daemon=True
        )
        self._process.start()
        for connection in (far_in, far_out):
            connection.close()
        self.stdin = os.fdopen(_taken(near_in), "wb", 0)
        self.stdout = os.fdopen(_taken(near_out), "rb", 0)

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("a simulated instrument", timeout or 0.0)
        return self._process.exitcode

    def kill(self) -> None:
        self._process.kill()


@contextmanager
def forked() -> Iterator[None]:
    """Within the block simulated instruments are forked."""
    program: Any = SimpleNamespace(
        Popen=Forked, PIPE=subprocess.PIPE, TimeoutExpired=subprocess.TimeoutExpired
    )
    with patch("station.simulation.launch.subprocess", program):
        yield


def _taken(connection: Connection) -> int:
    """A file of its own for what a connection leads to."""
    file = os.dup(connection.fileno())
    connection.close()
    return file


def _run(command: list[str], stdin: Connection, stdout: Connection) -> None:
    """Be the program of this command line."""
    os.setsid()
    for number, connection in enumerate((stdin, stdout)):
        os.dup2(connection.fileno(), number)
        connection.close()
    sys.stdin, sys.stdout = os.fdopen(0), os.fdopen(1, "w")
    sys.argv = command
    runpy.run_module(command[0], run_name="__main__", alter_sys=True)
