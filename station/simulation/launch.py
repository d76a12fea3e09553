"""Starts a simulated instrument as a process of its own and is its operator's hands."""

import contextlib
import json
import os
import select
import subprocess
import sys
from pathlib import Path
from typing import IO, Literal, Self

from station.errors import BadInput, InstrumentSilent, PortLost

InstrumentName = Literal["meter", "pull_tester"]

_ANSWER_WITHIN_S = 30.0
_END_WITHIN_S = 5.0
_PROJECT = Path(__file__).parents[2]


class SimulatedInstrument:
    """A simulated instrument that runs as long as this object is open.

    Parameters
    ----------
    name
        Which one.
    seed
        Same seed, same noise.
    profile
        Name of the profile whose dialect it speaks; by default the simplest.
    link
        A path to keep pointing to the port, as names by id do; then that is its port.
    paced
        False for a line and readings as fast as can be.
    arguments
        Further options of the instrument's command line.

    Raises
    ------
    PortLost
        It did not start.

    Examples
    --------
    >>> with SimulatedInstrument("meter", seed=1) as meter:  # doctest: +SKIP
    ...     meter.command({"mount": {"splice_ohm": 0.0003}})
    ...     print(meter.port)
    """

    def __init__(
        self,
        name: InstrumentName,
        *,
        seed: int = 1,
        profile: str | None = None,
        link: Path | None = None,
        paced: bool = True,
        arguments: tuple[str, ...] = (),
    ) -> None:
        self.name = name
        command = [sys.executable, "-m", f"station.simulation.{name}"]
        command += ["--seed", str(seed), *([] if paced else ["--no-pacing"]), *arguments]
        command += [] if profile is None else ["--profile", profile]
        command += [] if link is None else ["--link", str(link)]
        path = os.pathsep.join(filter(None, (str(_PROJECT), os.environ.get("PYTHONPATH"))))
        self._process = subprocess.Popen(  # noqa: S603  our own module, no shell
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            # Ctrl-C is the station's, which then ends them in order; so does its death.
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": path},
        )
        self._stdin: IO[bytes] = _piped(self._process.stdin)
        self._stdout: IO[bytes] = _piped(self._process.stdout)
        try:
            self.port = str(self._answer()["port"])
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def command(self, request: dict[str, object]) -> None:
        """Let the hands do something, and return when it is done.

        Raises
        ------
        BadInput
            The instrument or its operator cannot do that.
        PortLost
            The instrument is not running any more.
        """
        try:
            self._stdin.write(json.dumps(request).encode("utf-8") + b"\n")
        except (BrokenPipeError, ValueError) as error:
            raise self._gone() from error
        answer = self._answer()
        if not answer["ok"]:
            raise BadInput(str(answer["error"]))
        # Plugged in again, it may hang on another port.
        self.port = str(answer["port"] or self.port)

    def kill(self) -> None:
        """End the instrument at once, as a power cut would, and release what it held."""
        self._process.kill()
        self.close()

    def close(self) -> None:
        """End the instrument; may be called any number of times."""
        with contextlib.suppress(BrokenPipeError):
            self._stdin.close()
        try:
            self._process.wait(_END_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._stdout.close()

    def _answer(self) -> dict[str, object]:
        readable, _, _ = select.select([self._stdout], [], [], _ANSWER_WITHIN_S)
        if not readable:
            raise InstrumentSilent(
                f"The simulated {self.name} did not answer its operator within "
                f"{_ANSWER_WITHIN_S:g} s; start it again."
            )
        line = self._stdout.readline()
        if not line:
            raise self._gone()
        answer: dict[str, object] = json.loads(line)
        return answer

    def _gone(self) -> PortLost:
        return PortLost(
            f"The simulated {self.name} has ended (exit code {self._process.poll()}); start it "
            "again and look at what it printed."
        )


def _piped(stream: IO[bytes] | None) -> IO[bytes]:
    assert stream is not None, "both streams are pipes"  # noqa: S101  tells the type checker
    return stream
