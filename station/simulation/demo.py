"""The demo: its ledger and how it judges, a bench with simulated instruments, one live sample."""

import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from station.bench.bench import Bench, SampleOutcome
from station.bench.board import WHAT_TO_DO, BenchState, Stage
from station.crimp.facts import load_connectors, load_limit_sets
from station.crimp.in_force import LimitsInForce
from station.crimp.limits import LimitSet, LimitSets
from station.crimp.pull.reduce import FAILURE_MODES
from station.errors import BadInput, NestOnHold, StationError
from station.files import DATA, read_all
from station.instruments.bay import InstrumentBay
from station.instruments.panel.base import BasePanel
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint
from station.ledger.store import Ledger
from station.settings import CaliperSettings, InstrumentSettings, Settings
from station.simulation import workshop
from station.simulation.hands import SimulatedHands
from station.simulation.history import METER_PROFILE, TESTER_PROFILE
from station.simulation.launch import InstrumentName, SimulatedInstrument
from station.simulation.voices import METER_VOICES, TESTER_VOICES
from station.text import Say

LIVE_JOINT = workshop.joint("Heron", "red", "18 AWG")
RUN_LENGTH = 100_000
"""The demo's wear watch: its few good nests must not cry wolf while somebody looks."""

CALIPER = CaliperSettings(
    sheets_folder=Path(str(DATA / "demo" / "data_sheets")), accuracy_mm=0.02, resolution_mm=0.01,
    stated_in="invented for the demo",
)  # fmt: skip
"""The demo's caliper: an open barrel described at its bench is measured by an invented sheet."""

INTERRUPTED = "the station stopped before this sample was finished"


def demo_limit_sets(extra: Path | None = None, choice: LimitsInForce | None = None) -> LimitSets:
    """The shipped limit sets and the invented shop's own."""
    shipped = load_limit_sets(extra)
    invented = read_all([DATA / "demo" / "limit_sets"], LimitSet)
    return LimitSets([*(shipped[name] for name in shipped.ids), *invented], choice)


def as_the_demo_judges(settings: Settings, *, invented: bool) -> Settings:
    """Settings with the demo's run length where it is its ledger.

    Parameters
    ----------
    settings
        What they name themselves stays.
    invented
        Whether the ledger holds invented records; a real one gets its settings back as they are.
    """
    if not invented or "wear_watch_run_length" in settings.model_fields_set:
        return settings
    return settings.model_copy(update={"wear_watch_run_length": RUN_LENGTH})


def open_demo_ledger(path: Path) -> Ledger:
    """Open the demo's ledger, making its file where it is missing.

    Raises
    ------
    BadInput
        The file holds real records, which invented ones must never be mixed with.
    """
    ledger = Ledger.open(path)
    counts = ledger.reader.counts()
    if counts.entries and not ledger.reader.is_demo():
        ledger.close()
        raise BadInput(
            f"{path} holds real records: the demo does not mix invented ones in. "
            "Name another file with --ledger."
        )
    return ledger


@dataclass(frozen=True)
class SimulatedBench:
    """A bench with simulated instruments, and the hands that work them."""

    bench: Bench
    hands: SimulatedHands


@contextmanager
def simulated_bench(
    ledger: Ledger,
    limit_sets: LimitSets,
    settings: Settings,
    *,
    seed: int,
    demo: bool,
    panel: BasePanel | None = None,
) -> Iterator[SimulatedBench]:
    """Start both simulators and a bench on their ports; end them all on leaving.

    They speak the dialects of the profiles that the settings name, else the simplest.

    Raises
    ------
    BadInput
        No simulator speaks that dialect.
    """
    with ExitStack() as stack:
        meter = _simulated("meter", settings.meter, METER_PROFILE, seed, stack)
        tester = _simulated("pull_tester", settings.tester, TESTER_PROFILE, seed + 1, stack)
        simulated = settings.model_copy(update={"meter": meter[1], "tester": tester[1]})
        reverse = None if panel is None else panel.set_current_reversed
        bench = Bench(
            settings=simulated,
            ledger=ledger,
            bay=InstrumentBay(simulated, reverse),
            limit_sets=limit_sets,
            connectors=load_connectors(settings.connectors_folder),
            panel=panel,
            demo=demo,
        )
        stack.callback(bench.close)
        crimper = workshop.Crimper(np.random.default_rng(seed + 2), settings.fixture)
        yield SimulatedBench(bench, SimulatedHands(crimper, meter[0], tester[0], bench.board))


def _simulated(
    name: InstrumentName, asked: InstrumentSettings | None, usual: str, seed: int, stack: ExitStack
) -> tuple[SimulatedInstrument, InstrumentSettings]:
    profile = usual if asked is None else asked.profile
    voices = METER_VOICES if name == "meter" else TESTER_VOICES
    if profile not in voices:
        raise BadInput(
            f"No simulator speaks the dialect of {profile}: name one of {', '.join(voices)}."
        )
    instrument = stack.enter_context(SimulatedInstrument(name, seed=seed, profile=profile))
    settings = InstrumentSettings(port=instrument.port, profile=profile, simulated=True)
    if asked is not None:
        settings = settings.model_copy(update={"byte_trace": asked.byte_trace})
    return instrument, settings


def befall(hands: SimulatedHands, faults: Sequence[str]) -> None:
    """Let something go wrong in the simulation: ``meter=late``, ``tester=stuck``.

    Raises
    ------
    BadInput
        There is no such instrument or fault.
    """
    instruments = {"meter": hands.meter, "tester": hands.tester}
    for fault in faults:
        role, _, name = fault.partition("=")
        if role not in instruments:
            raise BadInput(f"{fault!r} is no fault: write meter=NAME or tester=NAME.")
        instruments[role].command({"fault": name})


class HandsAsOperator:
    """The operator of an unattended demo: says what it does, and lets the hands do it."""

    def __init__(self, hands: SimulatedHands, say: Say, joint: Joint = LIVE_JOINT) -> None:
        self.stop = threading.Event()
        self._hands = hands
        self._say = say
        self._joint = joint
        self._crimped = False

    def clips_on(self) -> None:
        """Crimp a specimen and clip the leads on."""
        self._say(f"1  {WHAT_TO_DO[Stage.CLIP_ON]}")
        self._hands.clip_on(self._joint)
        self._crimped = True
        self._say("2  Reading the resistance over the serial line ...")

    def sample_gripped(self) -> None:
        """Grip the sample and begin to pull."""
        self._say(f"3  {WHAT_TO_DO[Stage.GRIP]}")
        self._say("4  Pulling; the tester streams its force over the serial line ...")
        if not self._crimped:
            # A bench without a meter asks for no clips.
            self._hands.clip_on(self._joint)
        pulling = self._hands.pull_once_recorded
        threading.Thread(target=pulling, name="hands that pull", daemon=True).start()

    def failure_mode(self, suggested: str | None) -> str:
        """Say what is seen on the sample."""
        seen = self._hands.failure_mode()
        hint = FAILURE_MODES[suggested] if suggested else "no suggestion"
        self._say(f"5  How it let go: {FAILURE_MODES[seen]} (the trace suggests: {hint})")
        return seen


def take_live_sample(simulated: SimulatedBench, say: Say) -> SampleOutcome:
    """Take one sample through the serial path, saying each step."""
    order = _order_at_hand(simulated.bench)
    watch = threading.Thread(
        target=_say_readings, args=(simulated.bench, say), name="live readings", daemon=True
    )
    watch.start()
    hands = HandsAsOperator(simulated.hands, say, order.joint)
    outcome = simulated.bench.take_sample(order, hands)
    watch.join(timeout=5.0)
    return outcome


def _order_at_hand(bench: Bench) -> SampleOrder:
    """A sample in the usual nest, or in the first one that is neither held nor under a check."""
    refused: StationError | None = None
    for joint in (LIVE_JOINT, *workshop.joints()):
        looks = workshop.good_looks(joint)
        order = SampleOrder("Benno", "daily_check", joint, checklist=looks)
        try:
            return bench.jobs.order(order)
        except (NestOnHold, BadInput) as error:
            refused = refused or error
    raise refused or BadInput("The workshop has no joint: invent another.")


def _say_readings(bench: Bench, say: Say) -> None:
    """Print the readings as they arrive, and the force about once a second of the pull."""
    state: BenchState = bench.board.state
    said_n = 0.0
    while state.stage is not Stage.DONE:
        newer = bench.board.wait_beyond(state.version, timeout_s=1.0)
        if newer.resistance_readings_ohm and not state.resistance_readings_ohm:
            shown = ", ".join(f"{ohm * 1e3:.4f}" for ohm in newer.resistance_readings_ohm)
            say(f"     settled readings, mΩ: {shown}")
        if newer.peak_n is not None and newer.peak_n > said_n + 25.0:
            said_n = newer.peak_n
            say(f"     {said_n:6.1f} N")
        state = newer
        if not bench.busy:
            return
