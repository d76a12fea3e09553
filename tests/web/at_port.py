"""The server that the station runs, on a free port."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from flask import Flask

from station.cli.page_server import PageServer
from station.cli.serving import listening

PATIENCE_S = 20.0


@contextmanager
def at_port(app: Flask) -> Iterator[tuple[int, PageServer]]:
    """Serve an application; give its port and the server."""
    with listening("127.0.0.1", 0) as listener:
        server = PageServer(app, listener)
        number: int = listener.getsockname()[1]
        thread = threading.Thread(target=server.run, name="server under test")
        thread.start()
        yield number, server
        # Closed by its own thread, whose loop then has nothing left to wait for.
        server.trigger.pull_trigger(server.close)
        thread.join(PATIENCE_S)
        server.task_dispatcher.shutdown()
        assert not thread.is_alive()
