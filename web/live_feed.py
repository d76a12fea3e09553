"""The bench as a stream of server-sent events: one for each change, with the curve as it grows."""

import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import asdict

from station.bench.board import Board
from station.crimp.limits import LimitSets
from web.live import live_view
from web.sentences import Speaker

QUIET_S = 10.0
"""After so long without news a comment is sent, so that a dead line is noticed."""

LEAST_S = 0.035
"""Shortest time between two events: more than twenty a second, and no more than eyes can use."""

POINTS_AT_ONCE = 40
POINTS_TO_CATCH_UP = 800

MAX_FOLLOWING = 12
"""Streams at once; each holds one of the server's threads. Further pages ask again and again."""


def events(
    board: Board,
    limit_sets: LimitSets,
    started: str,
    may_see: Callable[[], bool] = lambda: True,
    speaker: Speaker | None = None,
) -> Iterator[str]:
    """Yield events while they may be seen; the first tells all there is.

    Parameters
    ----------
    started
        Tells one start of the station from another.
    may_see
        Asked before each event: a sign-in may have run out meanwhile.
    speaker
        Says it in the reader's language; in English where None.
    """
    version, pull, index = -1, 0, 0
    pause = threading.Event()
    yield "retry: 1000\n\n"
    while may_see():
        snapshot = board.wait_beyond(version, QUIET_S)
        if snapshot.version == version:
            yield ": alive\n\n"
            continue
        most = POINTS_AT_ONCE if version >= 0 else POINTS_TO_CATCH_UP
        version, before = snapshot.version, pull
        pull, index, points = board.trace.since(pull, index, most)
        view = asdict(live_view(snapshot, limit_sets, speaker)) | {
            "started": started,
            "anew": pull != before,
            "points": [[round(at_s, 4), round(force_n, 2)] for at_s, force_n in points],
        }
        yield f"data: {json.dumps(view)}\n\n"
        pause.wait(LEAST_S)
