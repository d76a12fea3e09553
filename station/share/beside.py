"""Copying into the shared record beside a running station, which never waits for it."""

import threading
from pathlib import Path
from typing import Self

from station.settings import ShareSettings
from station.share.push import push
from station.text import Say

EVERY_S = 15.0
"""Between two looks for new entries (our own choice)."""

CAUGHT_UP = "The shared record has all entries again."


class Sharing:
    """Pushes now and then, in a thread of its own, until it is left.

    Trouble is said once, and once that it is over.
    """

    def __init__(
        self, path: Path, where: ShareSettings, say: Say, every_s: float = EVERY_S
    ) -> None:
        self._path = path
        self._where = where
        self._say = say
        self._every_s = every_s
        self._left = threading.Event()

    def __enter__(self) -> Self:
        # Ended with the process: a server that does not answer holds nobody up.
        threading.Thread(target=self._run, name="share", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._left.set()

    def _run(self) -> None:
        told: str | None = None
        while not self._left.is_set():
            trouble = None
            try:
                push(self._path, self._where)
            except Exception as error:  # whatever it is, the next time may go well
                trouble = str(error)
            if trouble != told:
                self._say(trouble or CAUGHT_UP)
            told = trouble
            self._left.wait(self._every_s)
