"""The bench's snapshot in words: the same text fills the page when it loads and as it changes."""

import json
import math
import threading
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field

from markupsafe import Markup

from calibration.saying import join, say
from station.bench.board import BenchState, Board, Stage
from station.crimp.limits import FORCES, Limit, LimitSets
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import milliohm
from station.crimp.verdict import condemned_words
from station.crimp.wire import weakest_wire
from station.errors import StationError
from station.instruments.standstill import WORDS
from station.jobs.sample_order import SampleOrder
from station.ledger.rows import LOT_WORDS
from web import format as written
from web.format import JOB_WORDS, badge, newton, reason, standing, wire_named, wires
from web.translation import Part, chosen, marked, parts_of

OPEN_STAGES = (Stage.IDLE, Stage.DONE)
"""Stages at which a new sample may be described."""


GUARD_WORDS = {
    "open": say("OPEN: close it before you pull"),
    "closed": say("closed (as the panel sees it; not a safety function)"),
}
"""What the page says of the guard; nothing where none is watched."""


@dataclass(frozen=True)
class LiveView:
    """What the live part of the bench page shows; an empty text means that its line is hidden."""

    version: int
    stage: str
    verdict: str
    taken: int
    sample_id: str
    suggested_mode: str
    limit_n: float | None
    """Force to reach, for the curve; None where the limit set has none."""
    texts: dict[str, str] = field(default_factory=dict)
    english: dict[str, list[tuple[str, bool]]] = field(default_factory=dict)
    """Of texts that are not wholly in the reader's language: their parts, and whether each is."""

    def marked(self, name: str) -> Markup:
        """A text as it stands in a page: what stayed English says so."""
        parts = self.english.get(name, [(self.texts[name], True)])
        return marked(Part(*part) for part in parts)


def live_view(state: BenchState, limit_sets: LimitSets, language: str | None = None) -> LiveView:
    """Put a snapshot into words.

    Parameters
    ----------
    language
        By default that of the request.
    """
    language = language or chosen()
    outcome = state.outcome
    limit = _limit(state, limit_sets)
    said = {name: parts_of(text, language) for name, text in _texts(state, limit).items()}
    forces = {
        "force": "" if state.force_n is None else newton(state.force_n),
        "peak": "" if state.peak_n is None else newton(state.peak_n),
    }
    return LiveView(
        version=state.version,
        stage=state.stage.value,
        verdict="" if outcome is None else outcome.verdict,
        taken=state.taken,
        sample_id=state.sample_id or "",
        suggested_mode=state.suggested_mode or "",
        limit_n=None if limit is None else limit.value_si,
        texts=forces | {name: "".join(part.text for part in parts) for name, parts in said.items()},
        english={
            name: [(part.text, part.known) for part in parts]
            for name, parts in said.items()
            if not all(part.known for part in parts)
        },
    )


def _texts(state: BenchState, limit: Limit | None) -> dict[str, str]:
    """Every text but bare values, in English; an empty one is not shown."""
    outcome, pulling = state.outcome, state.stage in (Stage.GRIP, Stage.PULLING)
    over = state.stage in OPEN_STAGES
    may_back = state.may_step_back and not over
    giveup = say("End here (fail)") if state.condemned_by else say("Give up (void)")
    back = say("Step back: nothing was measured yet") if may_back else ""
    return {
        "todo": state.what_to_do,
        "trouble": state.trouble or "",
        "unsaved": state.unsaved or "",
        "instruments": join(state.instrument_troubles, "\n"),
        "condemned": "" if outcome is not None else _condemned(state),
        "back": back,
        "giveup": "" if over or back else giveup,
        "standstill": WORDS.get(state.standstill or "", "") if pulling else "",
        "guard": GUARD_WORDS.get(state.guard or "", ""),
        "sample": "" if state.order is None else _sample_words(state.order),
        "reel": "" if state.order is None else _wire_words(state.order),
        "size": "" if state.order is None else _size_words(state.order),
        "lots": "" if state.order is None else _lot_words(state.order),
        "reading": _reading_words(state),
        "limit": _limit_words(limit),
        **_pull_words(state),
        "suggestion": FAILURE_MODES.get(state.suggested_mode or "", ""),
        "slip": say("it may have slipped: look at the grips") if state.may_have_slipped else "",
        "verdict": "" if outcome is None else badge(outcome),
        "reasons": _reasons(state),
    }


def _condemned(state: BenchState) -> str:
    looks = [*map(condemned_words, state.condemned_by)]
    learn = say("This sample fails. It may still be measured, to learn.") if looks else ""
    return join(filter(None, [*looks, learn]), "\n")


def _pull_words(state: BenchState) -> dict[str, str]:
    """Which wire is pulled, which could be next, and what is to be held for how long still."""
    wires_of = () if state.order is None else state.order.joint.wires
    wire, further = (
        "" if place is None or len(wires_of) < 2 else wire_named(place, wires_of[place])
        for place in (state.wire, state.next_wire)
    )
    hold = ""
    if state.hold_n is not None and state.hold_left_s is not None:
        force, seconds = newton(state.hold_n), math.ceil(state.hold_left_s)
        hold = say("at least {force}, {seconds} s left", force=force, seconds=seconds)
    open_end = state.stage is Stage.PULLING and state.hold_n is None
    return {
        "wire": wire,
        "next_wire": "" if state.pull_next else further,
        "chosen": further if state.pull_next else "",
        "hold": hold,
        "open_end": say("It may be stopped before it lets go.") if open_end else "",
    }


def _sample_words(order: SampleOrder) -> str:
    joint = order.joint
    job = JOB_WORDS.get(order.job, order.job)
    return say(
        "{job} by {person}: {tool}, nest {nest}; {connector}, {wires} {material}",
        job=say(job),
        person=order.person,
        tool=joint.tool,
        nest=joint.nest,
        connector=joint.connector,
        wires=wires(joint.wires),
        material=joint.material,
    )


def _lot_words(order: SampleOrder) -> str:
    named = asdict(order.lots)
    words = [
        say("{what} {name}", what=what, name=named[field])
        for field, what in LOT_WORDS.items()
        if named[field]
    ]
    return join(words, ", ")


def _size_words(order: SampleOrder) -> str:
    named, value = written.CRITERION_WORDS, written.quantity
    sizes = [(named[one.criterion], value(one.value_m, "m")) for one in order.sizes.values()]
    return join((say("{what} {name}", what=what, name=size) for what, size in sizes), ", ")


def _wire_words(order: SampleOrder) -> str:
    if not any(order.reels):
        return say("no reel named: anything that its standard allows")
    named = dict.fromkeys(name or say("no reel named") for name in order.reels)
    return join(named, " + ")


def _reading_words(state: BenchState) -> str:
    if not state.resistance_readings_ohm:
        return ""
    latest = milliohm(state.resistance_readings_ohm[-1])
    return say(
        "{latest} (wire included; reading {count})",
        latest=latest,
        count=len(state.resistance_readings_ohm),
    )


def _limit(state: BenchState, limit_sets: LimitSets) -> Limit | None:
    """The force to reach: that of the wire that is pulled, else of the weakest."""
    order = state.order
    if order is None:
        return None
    wires = order.joint.wires if state.wire is None else [order.joint.wires[state.wire]]
    try:
        found = limit_sets.judging(weakest_wire(wires), order.limit_set).limits
        pulls = (limit for limit in found if limit.criterion in FORCES)
        return max(pulls, key=lambda limit: limit.value_si, default=None)
    except StationError:
        # The bench refuses what it cannot judge; here it is only a line that stays empty.
        return None


def _limit_words(limit: Limit | None) -> str:
    if limit is None:
        return ""
    words = say("{force} for {size}", force=newton(limit.value_si), size=limit.size)
    if limit.standing != "memory":
        return words
    return say("{limit} ({standing})", limit=words, standing=standing(limit.standing))


def _reasons(state: BenchState) -> str:
    if state.outcome is None:
        return ""
    lines = []
    if void := state.why_void or state.outcome.void_reason:
        # A reason may be a whole sentence, or the end of one.
        lines = [
            say("Void: {void}", void=say(void))
            if void.endswith(".")
            else say("Void: {void}.", void=say(void))
        ]
    seen = map(condemned_words, state.condemned_by)
    judged = [join((reason(one), one.words)) for one in state.outcome.criteria]
    return join([*lines, *seen, *judged], "\n")


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
    language: str | None = None,
) -> Iterator[str]:
    """Yield events while they may be seen; the first tells all there is.

    Parameters
    ----------
    started
        Tells one start of the station from another.
    may_see
        Asked before each event: a sign-in may have run out meanwhile.
    language
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
        view = asdict(live_view(snapshot, limit_sets, language)) | {
            "started": started,
            "anew": pull != before,
            "points": [[round(at_s, 4), round(force_n, 2)] for at_s, force_n in points],
        }
        yield f"data: {json.dumps(view)}\n\n"
        pause.wait(LEAST_S)
