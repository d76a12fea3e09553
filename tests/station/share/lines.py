"""A line between a bench and the server that can be cut or held in the middle of what it says."""

import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

SOCKET = ".s.PGSQL.5432"


class Line:
    """Forwards what benches and the server say to each other.

    Use `to`. ``folder`` is where benches find the server's socket.
    """

    def __init__(self, folder: Path, server: Path) -> None:
        self.folder = folder
        self._server = server
        self._left: int | None = None
        self._counting = threading.Lock()
        self._open: list[socket.socket] = []
        self.reached = threading.Event()
        self.going_on = threading.Event()
        self.going_on.set()
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(folder / SOCKET))
        self._listener.listen()
        threading.Thread(target=self._accept, daemon=True).start()

    def cut_after(self, size: int | None, *, hold: bool = False) -> None:
        """Break off once benches have said so many bytes; None never does.

        With ``hold`` nothing passes any more, until ``going_on`` is set: then it breaks.
        """
        self.reached.clear()
        if hold:
            self.going_on.clear()
        with self._counting:
            self._left = size

    def cut(self, connections: Sequence[socket.socket] | None = None) -> None:
        """Break every connection now, or those given."""
        for one in [*self._open] if connections is None else connections:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """End it."""
        self.going_on.set()
        self.cut()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                bench, _ = self._listener.accept()
                server = socket.socket(socket.AF_UNIX)
                try:
                    server.connect(str(self._server / SOCKET))
                except OSError:
                    bench.close()
                    server.close()
                    continue
                self._open += [bench, server]
                for ends in ((bench, server, True), (server, bench, False)):
                    threading.Thread(target=self._pump, args=ends, daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, counted: bool) -> None:
        with suppress(OSError), source, sink:
            try:
                self._pass_on(source, sink, counted)
            finally:
                # Closed alone, a socket stays open to its far end while the other thread reads it.
                self.cut([source, sink])

    def _pass_on(self, source: socket.socket, sink: socket.socket, counted: bool) -> None:
        while data := source.recv(4096):
            passing = self._passing(len(data)) if counted else None
            sink.sendall(data[:passing])
            if passing is not None:
                # Not those that are made once it goes on.
                broken = [*self._open]
                self.reached.set()
                self.going_on.wait()
                self.cut(broken)
                return

    def _passing(self, size: int) -> int | None:
        """How many of so many bytes still pass before the line breaks; None if it does not."""
        with self._counting:
            if self._left is None:
                return None
            left, self._left = self._left, max(0, self._left - size)
            return left if left <= size else None


@contextmanager
def to(server: Path, folder: Path) -> Iterator[Line]:
    """Give a line to the server whose socket is in a folder."""
    line = Line(folder, server)
    try:
        yield line
    finally:
        line.close()
