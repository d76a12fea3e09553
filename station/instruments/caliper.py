"""A caliper or crimp micrometer: it says what it shows whenever its data button is pressed."""

import threading
from collections.abc import Callable
from pathlib import Path

from calibration.saying import say
from station.errors import InstrumentError, InstrumentGarbled, InstrumentSilent
from station.instruments.port import LinePort
from station.instruments.profiles import CaliperProfile, load_of_kind

LOOK_S = 0.5
LOOK_AGAIN_S = 2.0

OnLine = Callable[[float | None, str | None], None]
"""Takes a size in m, or what is wrong; called in a thread of its own."""


class Caliper:
    """A caliper on its port, which is opened now and after each loss, until `close`.

    Raises
    ------
    DataFileError
        There is no such profile, or it is another instrument's.
    """

    def __init__(self, port: str, profile: str, folder: Path | None, on_line: OnLine) -> None:
        self._profile = load_of_kind(CaliperProfile, profile, folder)
        self.port = LinePort(port, self._profile.line, name=say("caliper"))
        self._on_line = on_line
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="caliper", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening and release the port."""
        self._closing.set()
        self._thread.join()
        self.port.close()

    def _listen(self) -> None:
        while not self._closing.is_set():
            try:
                self.port.open()
                self._on_line(self._profile.size_m(self.port.next_line(LOOK_S).data), None)
            except InstrumentSilent:
                continue
            except InstrumentError as error:
                self._on_line(None, str(error))
                # A line that cannot be read is told at once; a port that is gone is looked for.
                self._closing.wait(0.0 if isinstance(error, InstrumentGarbled) else LOOK_AGAIN_S)
