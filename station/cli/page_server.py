"""The page's server: connections that no stranger can fill, and whether it still works."""

import socket
import time
from collections import Counter
from typing import Any

from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer

from station.shop.photos import MOST_SENT_BYTES

MAX_HEADER_BYTES = 16 * 1024

THREADS = 24
"""Pages that follow the bench hold a thread each; enough are left to answer others."""

CONNECTIONS = 300
CONNECTIONS_OF_ONE_ADDRESS = 60
"""A browser has six, and a proxy one for each request under way (both our own choice)."""

IDLE_S = 15
"""A connection on which nothing comes or goes for so long is closed."""

ANSWER_WITHIN_S = 5.0
"""A server that takes longer for a turn of its own counts as hanging (our own choice)."""
WORK_WITHIN_S = 60.0
"""So long may requests wait without any other being done (our own choice)."""

PROXY = {
    "trusted_proxy": "127.0.0.1",
    "trusted_proxy_count": 1,
    "trusted_proxy_headers": "x-forwarded-for x-forwarded-host x-forwarded-proto",
}
"""One proxy on this machine is believed, and only about these; of others' word nothing is left."""


class _Channel(HTTPChannel):  # type: ignore[misc]
    """One connection."""

    def __init__(
        self, server: "PageServer", sock: Any, addr: Any, *rest: Any, **named: Any
    ) -> None:
        room = server.make_room(addr[0])
        super().__init__(server, sock, addr, *rest, **named)
        self.will_close = not room

    def service(self) -> None:
        super().service()
        self.server.served += 1


class PageServer(TcpWSGIServer):  # type: ignore[misc]
    """Serves an application; run by its ``run`` and ended by its ``close``.

    Where there are too many connections, the oldest that has no request under way makes room: of
    the same address, or of that which has most. So whoever opens many only closes their own.
    """

    channel_class = _Channel

    def __init__(self, app: Any, listener: socket.socket) -> None:
        settings = app.extensions["station"].bench.settings
        self.served = self._served_before = 0
        self._turn_s = self._stood_since_s = time.monotonic()
        super().__init__(
            app,
            _sock=listener,
            bind_socket=False,
            sockinfo=(listener.family, listener.type, listener.proto, listener.getsockname()),
            threads=THREADS,
            # Files count as well, and the other way knows no number above 1,023.
            asyncore_use_poll=True,
            # Never met: room is made before.
            connection_limit=2 * CONNECTIONS,
            channel_timeout=IDLE_S,
            cleanup_interval=IDLE_S // 3,
            # Refused before it is read; the application's own limits are the same.
            max_request_body_size=(
                MOST_SENT_BYTES
                if settings.photos.keep_megabytes
                else app.config["MAX_CONTENT_LENGTH"]
            ),
            max_request_header_size=MAX_HEADER_BYTES,
            # Nobody needs to know which server and version this is.
            ident=None,
            **(PROXY if settings.doors.behind_proxy else {}),
        )

    def make_room(self, address: str) -> bool:
        """Let an older connection go where there are too many; False where none can."""
        there = [one for one in self.active_channels.values() if not one.will_close]
        counts = Counter(one.addr[0] for one in there)
        if counts[address] >= CONNECTIONS_OF_ONE_ADDRESS:
            crowd = address
        elif len(there) >= CONNECTIONS:
            crowd = counts.most_common(1)[0][0]
        else:
            return True
        idle = (one for one in there if one.addr[0] == crowd and not one.requests)
        if (oldest := min(idle, key=lambda one: one.creation_time, default=None)) is None:
            return False
        oldest.will_close = True
        return True

    def readable(self) -> bool:
        """Note that the server's loop goes round, which asks this at each turn."""
        self._turn_s = time.monotonic()
        return bool(super().readable())

    def trouble(self) -> str | None:
        """What is wrong with the server, in one sentence; None while all is well.

        Seen from within: a flood of requests keeps others waiting, and is no trouble of ours.
        """
        now_s = time.monotonic()
        if now_s - self._turn_s > ANSWER_WITHIN_S:
            return "The page does not answer: restart the station."
        if self.served != self._served_before or not self.task_dispatcher.queue:
            self._served_before, self._stood_since_s = self.served, now_s
        if now_s - self._stood_since_s > WORK_WITHIN_S:
            return "The page answers nobody any more: restart the station."
        return None
