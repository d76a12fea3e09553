"""Invented samples, people and tools for the tests of the ledger."""

import itertools
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from station.ledger.chain import Moment
from station.ledger.entries import (
    NEST_OUTCOME,
    BaselineSet,
    BenchTemperature,
    BudgetLine,
    CodeFor,
    CodesDrawn,
    Correction,
    DoorEvent,
    JobBegun,
    JobEnded,
    JobStep,
    KeyOpened,
    KeyShown,
    LotInUse,
    NestHeld,
    NestReleased,
    OutcomeSeen,
    OutcomeSigned,
    PersonAdded,
    PersonLeft,
    PersonPrefers,
    PhotoDropped,
    PullBegun,
    ReelAdded,
    ReelMeasured,
    ReelOut,
    RoleChanged,
    SampleBegun,
    SampleFinished,
    SampleLookedAt,
    StudyBegun,
    StudyDropped,
    StudyReading,
    StudyTurn,
    ToolAdded,
    ToolLookedAt,
    ToolServiced,
    WorkDone,
)
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from tests.station.ledger.invented_entries import (
    CALIBRATED,
    CHECKED,
    ELSEWHERE,
    JOINT,
    PULL,
    PULL_LIMIT,
    RESISTANCE,
    stored_photo,
)


@pytest.fixture(scope="session")
def begun() -> Callable[..., SampleBegun]:
    def make(*, nest: str = "A", tool: str = "T1", **changes: Any) -> SampleBegun:
        joint = JOINT.model_copy(update={"nest": nest, "tool": tool})
        return SampleBegun(**{"job": "check", "joint": joint, "limit_set": "shop", **changes})

    return make


@pytest.fixture(scope="session")
def finished() -> Callable[..., SampleFinished]:
    def make(
        sample_id: str, *, trace: str | None = None, nest: str = "A", **changes: Any
    ) -> SampleFinished:
        content = {
            "sample_id": sample_id,
            "job": "check",
            "joint": JOINT.model_copy(update={"nest": nest}),
            "limit_set": "shop",
            "limit_standing": "shop",
            "guard": 1.645,
            "checklist": {"strands": True},
            "resistance": RESISTANCE,
            "pull": PULL.model_copy(update={"trace_sha256": trace}),
            "criteria": (PULL_LIMIT,),
            "verdict": "pass",
        }
        return SampleFinished(**{**content, **changes})

    return make


@pytest.fixture(scope="session")
def stored_trace() -> Callable[[float], tuple[str, bytes]]:
    def make(peak_n: float) -> tuple[str, bytes]:
        data = encode_trace(np.linspace(0, 3, 50), np.linspace(0, peak_n, 50))
        return trace_key(data), data

    return make


class Ticking:
    """A clock that is a second later each time it is looked at."""

    def __init__(self) -> None:
        self.seconds = itertools.count()

    def __call__(self) -> Moment:
        second = next(self.seconds)
        at = datetime(2024, 3, 1, 8, tzinfo=UTC) + timedelta(seconds=second)
        return Moment(at_utc=at, clock_synced=True, boot_id="invented", monotonic_s=float(second))


@pytest.fixture
def ticking() -> Ticking:
    return Ticking()


@pytest.fixture
def ledger_path(tmp_path: Path) -> Path:
    return tmp_path / "bench one.ledger"


@pytest.fixture
def ledger(ledger_path: Path, ticking: Callable[[], Moment]) -> Iterator[Ledger]:
    with Ledger.open(ledger_path, clock=ticking) as opened:
        yield opened


@pytest.fixture
def full_ledger(
    filled_once: tuple[Path, int], ledger_path: Path, ticking: Ticking
) -> Iterator[Ledger]:
    """A ledger that holds every kind of entry and every fate of a sample."""
    filled, second = filled_once
    shutil.copyfile(filled, ledger_path)
    ticking.seconds = itertools.count(second)
    with Ledger.open(ledger_path, clock=ticking) as opened:
        yield opened


@pytest.fixture(scope="session")
def filled_once(
    tmp_path_factory: pytest.TempPathFactory,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> tuple[Path, int]:
    """The ledger that `full_ledger` copies, and the second that its clock came to."""
    path, ticking = tmp_path_factory.mktemp("filled") / "bench.ledger", Ticking()
    with Ledger.open(path, clock=ticking) as ledger:
        _fill(ledger, begun, finished, stored_trace)
    return path, next(ticking.seconds)


def _fill(
    ledger: Ledger,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> None:
    ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana")
    ledger.append(PersonAdded(name="Bo", role="apprentice"), person="Ana")
    ledger.append(PersonAdded(name="Bo", role="installer"), person="Ana")
    ledger.append(ToolAdded(tool="T1", description="ratchet", nests=("A", "B")), person="Ana")
    of_a_lot = begun(nest="B").model_copy(update={"terminal_lot": "L1"})
    made = [*(begun(nest=nest) for nest in "AABAA"), of_a_lot]
    samples = [ledger.append(sample, person="Bo") for sample in made]
    for number, sample in enumerate(samples[:4]):
        ledger.append(PullBegun(sample_id=sample.id), person="Bo")
        key, data = stored_trace(100.0 + number)
        done = finished(sample.id, trace=key, nest="AABA"[number])
        ledger.append(done, person="Bo", traces={key: data})
    void = Correction(corrects_id=samples[1].id, reason="grip slipped", void_sample=True)
    ledger.append(void, person="Ana")
    last = list(ledger.reader.entries(SampleFinished.KIND))[-1]
    mode = Correction(corrects_id=last.id, reason="seen again", failure_mode="pull out")
    ledger.append(mode, person="Ana")
    ledger.append(begun(offered_again_for=samples[4].id), person="Bo")
    ledger.append(ToolServiced(tool="T1", nest="A", action="new die"), person="Ana")
    ledger.append(ToolServiced(tool="T1", nest=None, action="adjusted"), person="Ana")
    for version, center in ((1, 1.2), (2, 1.3)):
        ledger.append(_baseline(version, center), person="Ana")
    ledger.append(PersonAdded(name="Cy", role="apprentice"), person="Ana")
    changed = RoleChanged(name="Cy", was="apprentice", role="installer", reason="since spring")
    ledger.append(changed, person="Ana")
    ledger.append(PersonLeft(name="Cy", reason="moved"), person="Ana")
    ledger.append(DoorEvent(event="signed_in", about="Ana", way="bench"), person="Ana")
    ledger.append(PersonPrefers(name="Ana", choices={"language": "de"}), person="Ana")
    ledger.append(ELSEWHERE, person="Ana")
    ledger.append(CALIBRATED, person="Ana")
    ledger.append(CHECKED, person="Bo")
    _add_job(ledger)
    _add_study(ledger)
    for number, sample in enumerate(samples[:2]):
        photo, traces = stored_photo(sample.id, b"invented %d" % number)
        ledger.append(photo, person="Bo", traces=traces)
    ledger.append(PhotoDropped(sha256=photo.sha256, reason="no room"), person="Bo")


def _add_job(ledger: Ledger) -> None:
    plan = {"id": "invented", "samples": 3}
    job = ledger.append(
        JobBegun(job="daily_check", plan_id="invented", plan=plan, scope={"nests": ["A"]}),
        person="Bo",
    )
    ledger.append(JobStep(job_id=job.id, step="look", content={"good": False}), person="Bo")
    found = {"tool": "T1", "nest": "A", "outcome": "held", "needs": "service"}
    ledger.append(JobStep(job_id=job.id, step=NEST_OUTCOME, content=dict(found)), person="Bo")
    for step in (
        CodesDrawn(
            job_id=job.id, sitting=1,
            codes={"A1": CodeFor(task="tap", part="control", sitting=1, position=0)},
        ),
        KeyOpened(
            job_id=job.id, sitting=1, salt="00",
            codes={"A1": CodeFor(task="tap", part="control", sitting=1, position=0)},
        ),
        KeyShown(job_id=job.id, to="Bo"),
        SampleLookedAt(job_id=job.id, code="A1", checklist={"centred": True}),
        OutcomeSigned(job_id=job.id, outcome="certified"),
        OutcomeSeen(job_id=job.id),
    ):  # fmt: skip
        ledger.append(step, person="Bo")
    ledger.append(JobEnded(job_id=job.id, outcome="held", reasons=("weak",)), person="Bo")
    held = NestHeld(tool="T1", nest="A", reason="weak", job_id=job.id)
    ledger.append(held, person="Bo")
    ledger.append(NestReleased(tool="T1", nest="A", reason="new die"), person="Ana")
    for wire in (
        ReelAdded(reel="R1", size="18 AWG"),
        REEL_MEASURED,
        ReelOut(reel="R1", reason="empty"),
        BenchTemperature(temperature_c=21.0, u_temperature_k=1.0),
        LotInUse(connector="butt-red", terminal_lot="L1"),
        ToolLookedAt(tool="T1", nest="A", gauge=None, ratchet=True, jaws=True),
    ):
        ledger.append(wire, person="Bo")
    work = WorkDone(day=date(2024, 3, 1), work_order="W-1", tool="T1", nest="A")
    ledger.append(work, person="Bo")


REEL_MEASURED = ReelMeasured(
    reel="R1", in_fixture=False, length_m=1.0, u_length_m=0.001, repeats_ohm=(0.021,),
    reading_ohm=0.021, budget=(BudgetLine(name="repeatability", u=1e-6, dof=2.0),),
    temperature_c=20.0, u_temperature_k=1.0, instrument="invented", ohm_per_m=0.021,
    u_ohm_per_m=1e-4, effective_dof=None, answer="as sold",
)  # fmt: skip


def _add_study(ledger: Ledger) -> None:
    turns = tuple(StudyTurn(appraiser="Bo", part=part) for part in ("P1", "P2"))
    planned = StudyBegun(
        study="crossed", title="invented", role="meter", instrument="invented", turns=turns,
        seed=1, side="upper",
    )  # fmt: skip
    study = ledger.append(planned, person="Ana")
    read = StudyReading(
        study_id=study.id, turn=0, readings=(1e-3,), value=1e-3, instrument="invented"
    )
    ledger.append(read, person="Bo")
    ledger.append(StudyDropped(study_id=study.id, reason="a part was lost"), person="Ana")


def _baseline(version: int, center: float) -> BaselineSet:
    return BaselineSet(
        joint=JOINT,
        baseline_version=version,
        n=30,
        force_ratio_center=center,
        force_ratio_sigma=0.05,
        log_resistance_center=-8.8,
        log_resistance_sigma=0.1,
        sample_ids=(),
    )
