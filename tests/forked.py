"""Simulated instruments forked from one process that has imported them already.

Tests start some hundreds; most of what each costs is loading numpy and pydantic. Their lines,
seeds and pace, and how they end, are those of processes started one by one, which
``tests/station/simulation/test_launch.py`` tries.
"""

import contextlib
import json
import os
import runpy
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

_LONGEST_MESSAGE = 65_536


class Nursery:
    """The process that forks them; it ends with this one."""

    def __init__(self) -> None:
        self._line, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._asking = threading.Lock()
        with far:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.forked", str(far.fileno())],
                cwd=Path(__file__).parents[1], pass_fds=[far.fileno()], start_new_session=True,
            )  # fmt: skip

    def ask(self, question: object, files: tuple[int, ...] = ()) -> int:
        """Have a command line run on these files, or wait for a process number: a number."""
        with self._asking:
            socket.send_fds(self._line, [json.dumps(question).encode()], files)
            return int(self._line.recv(_LONGEST_MESSAGE))

    def close(self) -> None:
        self._line.close()
        self._process.wait()


class Forked:
    """As much of `subprocess.Popen` as a simulated instrument needs."""

    def __init__(self, nursery: Nursery, command: list[str], **_: Any) -> None:
        (far_in, near_in), (near_out, far_out) = os.pipe(), os.pipe()
        self._nursery = nursery
        self.pid = nursery.ask(command[2:], (far_in, far_out, 2))
        os.close(far_in)
        os.close(far_out)
        self.stdin, self.stdout = os.fdopen(near_in, "wb", 0), os.fdopen(near_out, "rb", 0)
        self.returncode: int | None = None

    def poll(self) -> int | None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        if self.returncode is None:
            ended = os.pidfd_open(self.pid)
            try:
                watch = select.poll()
                watch.register(ended, select.POLLIN)
                if not watch.poll(None if timeout is None else timeout * 1000.0):
                    raise subprocess.TimeoutExpired("a simulated instrument", timeout or 0.0)
            finally:
                os.close(ended)
            self.returncode = self._nursery.ask(self.pid)
        return self.returncode

    def kill(self) -> None:
        if self.returncode is None:
            os.kill(self.pid, 9)


@contextlib.contextmanager
def forked() -> Iterator[None]:
    """Within the block simulated instruments are forked, from the first one on."""
    made: list[Nursery] = []

    def start(command: list[str], **options: Any) -> Forked:
        if not made:
            made.append(Nursery())
        return Forked(made[0], command, **options)

    program = SimpleNamespace(
        Popen=start, PIPE=subprocess.PIPE, TimeoutExpired=subprocess.TimeoutExpired
    )
    with patch("station.simulation.launch.subprocess", program):
        yield
    for nursery in made:
        nursery.close()


def _run(command: list[str], files: list[int]) -> int:
    """Fork, and be the program of this command line in the child; return its process number."""
    child = os.fork()
    if child:
        return child
    code: object = 1
    try:
        os.setsid()
        for number, file in enumerate(files):
            os.dup2(file, number)
        os.closerange(3, 64)
        sys.argv = command
        runpy.run_module(command[0], run_name="__main__", alter_sys=True)
        code = 0
    except SystemExit as ended:
        code = ended.code
    finally:
        sys.stdout.flush()
        os._exit(code if isinstance(code, int) else 0 if code is None else 1)


def _serve(line: socket.socket) -> None:
    import station.simulation.service
    import station.simulation.voices  # noqa: F401

    while True:
        message, files, _, _ = socket.recv_fds(line, _LONGEST_MESSAGE, 3)
        if not message:
            return
        question = json.loads(message)
        if isinstance(question, int):
            answer = os.waitstatus_to_exitcode(os.waitpid(question, 0)[1])
        else:
            answer = _run(question, files)
        for file in files:
            os.close(file)
        line.send(str(answer).encode())


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
