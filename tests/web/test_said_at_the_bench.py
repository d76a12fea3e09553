"""What the bench says on a sample's way, and what of it has no translation: nothing."""

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from calibration.saying import join, say
from station.bench.bench import Bench
from station.bench.board import BenchState, Stage
from station.crimp.facts import shipped_limit_sets
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.wire import parse_size
from station.errors import StationError
from station.instruments.panel.watch import PanelWatch
from station.instruments.standstill import WORDS
from station.jobs.sample_order import SampleOrder
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.settings import Settings
from station.simulation import workshop
from station.simulation.demo import SimulatedBench, demo_limit_sets, simulated_bench
from station.simulation.hands import HandsAtTheBench
from tests.pace import unpaced
from tests.station.bench.test_bench import ORDER, KillMeterOnClips, KillTesterDuringPull
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of
from tests.web.said import PUT_TOGETHER, with_limits
from tests.worked_panel import WorkedPanel
from web.format import Units, units
from web.live import live_view
from web.translation import parts_of
from web.views.calibration import PROCEDURES

SETS = shipped_limit_sets()
LONG_S = 30.0
FACTS = {
    fact
    for one in SETS.judging(parse_size("18 AWG")).limits
    for fact in (one.source, one.edition, one.conditions)
}
"""What is quoted of a limit's document, as it stands there."""


def untranslated(sentences: set[str]) -> list[str]:
    """Those of which some part stays English."""
    return sorted(
        text for text in sentences if not all(part.known for part in parts_of(text, "de"))
    )


class Walk:
    """A simulated bench of which every snapshot is kept."""

    def __init__(self, simulated: SimulatedBench, panel: WorkedPanel) -> None:
        self.bench: Bench = simulated.bench
        self.hands = simulated.hands
        self.simulated = simulated
        self.panel = panel
        self.seen: list[BenchState] = []
        self.refused: set[str] = set()
        self.bench.board.listeners.append(self.seen.append)

    def until(self, stage: Stage) -> None:
        """Wait for a stage."""
        state = self.bench.board.state
        while state.stage is not stage:
            newer = self.bench.board.wait_beyond(state.version, LONG_S)
            assert newer.version > state.version, f"the bench stays at {state.stage}"
            state = newer

    def until_pulled(self) -> None:
        """Wait until the force is rising."""
        self.until(Stage.PULLING)
        state = self.bench.board.state
        while (state.peak_n or 0.0) < 20.0:
            state = self.bench.board.wait_beyond(state.version, LONG_S)

    def refuse(self, *wrong: SampleOrder) -> None:
        """Ask for what the bench does not do."""
        for order in wrong:
            with pytest.raises(StationError) as refused:
                self.bench.start(order)
            self.refused.add(str(refused.value))

    def confirm_refused(self) -> None:
        """Confirm where nothing waits for it."""
        with pytest.raises(StationError) as refused:
            self.bench.confirm()
        self.refused.add(str(refused.value))


@pytest.fixture
def walk(tmp_path: Path) -> Iterator[Walk]:
    with ExitStack() as stack:
        ledger = stack.enter_context(Ledger.open(tmp_path / "bench.ledger"))
        panel = WorkedPanel()
        stack.enter_context(unpaced())
        simulated = stack.enter_context(
            simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=True, panel=panel)
        )
        stack.enter_context(PanelWatch(panel, simulated.bench.take_event))
        yield Walk(simulated, panel)


def left_english(states: list[BenchState]) -> set[str]:
    """What the page would show in English to somebody who reads German."""
    views = [live_view(state, SETS, "de") for state in states]
    return {
        part
        for view in views
        for parts in view.english.values()
        for part, known in parts
        if not known
    } - FACTS


def test_a_sample_from_clip_on_to_verdict(walk: Walk) -> None:
    with HandsAtTheBench(walk.hands):
        walk.confirm_refused()
        walk.bench.start(ORDER)
        walk.until(Stage.CLIP_ON)
        walk.refuse(ORDER)
        walk.panel.open_guard()
        walk.bench.confirm()
        walk.until(Stage.GRIP)
        walk.confirm_refused()
        walk.panel.close_guard()
        while walk.bench.board.state.guard != "closed":
            walk.bench.board.wait_beyond(walk.bench.board.state.version, LONG_S)
        walk.bench.confirm()
        walk.until(Stage.NAME_FAILURE)
        walk.bench.name_failure("broke_in_wire")
        walk.until(Stage.DONE)
    assert {state.stage for state in walk.seen} == set(Stage) - {Stage.IDLE}
    assert left_english(walk.seen) == set()
    assert len(walk.refused) == 3
    assert untranslated(walk.refused) == []


def test_a_guard_that_opens_and_a_sample_given_up(walk: Walk) -> None:
    with HandsAtTheBench(walk.hands):
        walk.bench.start(ORDER)
        walk.until(Stage.CLIP_ON)
        walk.bench.confirm()
        walk.until(Stage.GRIP)
        walk.bench.confirm()
        walk.until_pulled()
        walk.panel.open_guard()
        walk.until(Stage.DONE)
        walk.bench.start(ORDER)
        walk.until(Stage.CLIP_ON)
        walk.bench.confirm()
        walk.until(Stage.GRIP)
        walk.bench.abandon("Kabel fiel herunter")
        walk.until(Stage.DONE)
    voids = {state.outcome.void_reason for state in walk.seen if state.outcome is not None}
    assert len(voids) == 2
    assert left_english(walk.seen) == set()


@pytest.mark.parametrize("operator", [KillMeterOnClips, KillTesterDuringPull])
def test_an_instrument_lost_on_the_way(
    walk: Walk, operator: type[KillMeterOnClips] | type[KillTesterDuringPull]
) -> None:
    outcome = walk.bench.take_sample(ORDER, operator(walk.simulated))
    assert outcome.error is not None
    troubles = {line.trouble for line in walk.bench.instruments() if line.trouble}
    assert troubles
    assert left_english(walk.seen) == set()
    assert untranslated({*troubles, str(outcome.error)}) == []


def test_an_order_that_is_refused(walk: Walk) -> None:
    joint = ORDER.joint
    walk.refuse(
        SampleOrder("", "daily_check", joint, workshop.LIMIT_SET),
        SampleOrder("Benno", "daily_check", joint, "no-such-set"),
        SampleOrder("Benno", "daily_check", joint.model_copy(update={"wires": ("10 AWG",)}), "x"),
        SampleOrder(
            "Benno", "daily_check", joint.model_copy(update={"connector": "none"}), "ul-486a-1991"
        ),
    )
    assert len(walk.refused) >= 4
    assert untranslated(walk.refused) == []


def test_what_stands_still_and_how_it_let_go() -> None:
    states = [BenchState(stage=Stage.PULLING, standstill=seen) for seen in WORDS]
    states += [BenchState(stage=Stage.NAME_FAILURE, suggested_mode=mode) for mode in FAILURE_MODES]
    states += [BenchState(stage=Stage.NAME_FAILURE, may_have_slipped=True)]
    states += [
        BenchState(guard=word, order=order_of("Ann Example", "red")) for word in ("open", "closed")
    ]
    states += [BenchState(resistance_readings_ohm=(2.0e-3, 2.1e-3))]
    assert left_english(states) == set()


@pytest.mark.parametrize("force", ["N", "lbf"])
@pytest.mark.parametrize("known", ["memory", "shop"])
def test_an_order_and_its_limit(known: str, force: str) -> None:
    kept = units.set(Units(force=force))
    try:
        view = live_view(*with_limits(known), "de")
    finally:
        units.reset(kept)
    assert view.texts["limit"].endswith(
        "für 18 AWG" + (" (ungeprüft, aus dem Gedächtnis)" if known == "memory" else "")
    )
    assert view.texts["sample"].startswith("Tägliche Prüfung von Ann Example: t, Gesenk n")
    assert view.english == {}


@pytest.mark.parametrize("make", PUT_TOGETHER, ids=lambda make: make.__name__)
def test_what_is_put_together_out_of_pieces(make: Callable[[], Iterator[str]]) -> None:
    sentences = set(make())
    assert len(sentences) > 1
    assert untranslated(sentences) == []


def test_what_nobody_translated_is_marked_on_the_page_and_in_its_news(
    client: FlaskClient, bench: BenchAtHand
) -> None:
    client.set_cookie("language", "de")
    lost = say("The {name} was lost; it is being looked for.", name=say("pull tester"))
    bench.board.show(trouble=join([say("A <new> trouble."), lost]))
    found = client.get("/bench").text
    assert '<span lang="en">A &lt;new&gt; trouble.</span> Das Zugprüfgerät ging verloren' in found
    state = client.get("/bench/state").get_json()
    assert state["english"]["trouble"][0] == ["A <new> trouble.", False]
    assert state["texts"]["trouble"] == "".join(text for text, _ in state["english"]["trouble"])
    assert "todo" not in state["english"]


def test_pages_say_everything_in_german_but_documents_and_facts(
    client: FlaskClient, records: LedgerReader
) -> None:
    client.set_cookie("language", "de")
    samples = [f"/samples/{row.sample_id}" for row in records.samples(limit=40)]
    pages = ["/", "/bench", "/more", "/samples", "/tools", "/instruments", "/people", *samples]
    pages += ["/validations", "/certifications", "/instruments/studies", "/no-such-page"]
    pages += ["/tools/Hand%20tool%201/red", "/instruments/check?role=meter&kind=resistor"]
    left = {
        text
        for page in pages
        for text in re.findall(r'<span lang="en">(.*?)</span>', _get(client, page))
    }
    documents = {*PROCEDURES.values(), "The cable was pulled out."}
    assert left - FACTS - documents == set()


def _get(client: FlaskClient, page: str) -> str:
    return unescape(client.get(page).text)
