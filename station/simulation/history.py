"""Months of invented samples, written through the station's own reduction and judgement."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
from pydantic import JsonValue

from station.bench.between import BetweenClips
from station.bench.sample_entry import (
    Results,
    finished_sample,
    judge,
    pull_result,
    reduce_reading,
    resistance_result,
)
from station.bench.temperature import temperature_set
from station.crimp.facts import shipped_book
from station.crimp.limits import LimitSets
from station.crimp.pull.reduce import reduce_trace
from station.crimp.wire import parse_size
from station.files import DATA, read_toml
from station.instruments.profiles import load_meter_profile, load_tester_profile
from station.jobs.daily import judge as daily_check
from station.jobs.daily.judge import STEP_FIRST, Nest, NestEvidence, OutcomeWord
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.daily.record import ended_with
from station.jobs.daily.steps import outcome_of
from station.jobs.record import job_begun
from station.jobs.sample import JobSample
from station.jobs.sample_order import SampleOrder
from station.jobs.validation.record import baseline_by
from station.ledger.chain import Moment
from station.ledger.entries import (
    NEST_OUTCOME,
    InstrumentUsed,
    JobStep,
    Joint,
    PersonAdded,
    SampleBegun,
    SampleFinished,
    ToolAdded,
)
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from station.settings import Settings
from station.shop.reels import Reel, measured_reel
from station.simulation import workshop
from station.simulation.physics import Specimen, drawn_wire_ohm_per_m, noisy, pull_curve

METER_PROFILE = "meter-scpi-plain"
TESTER_PROFILE = "tester-stream-newton"
VALIDATION_SAMPLES = 40
ROUND = read_toml(DATA / "demo" / "tern-lane-round.toml", DailyCheckPlan)
"""How the invented shop checked its nests; who tries the demo checks by the shipped plan."""

RATE_HZ = 50.0
_METER_NOISE_OHM = 4e-7
_FORCE_NOISE_N = 0.15

Progress = Callable[[int, int], None]


@dataclass
class MorningCheck:
    """The check of one morning, while its samples are invented."""

    job_id: str
    day: date
    person: str
    samples: dict[Nest, list[SampleFinished]] = field(default_factory=dict)
    """By tool and nest."""


@dataclass(frozen=True, slots=True)
class Planned:
    """One sample to be invented."""

    at: datetime
    person: str
    job: str
    joint: Joint
    wear: float
    checked: bool = False
    """Whether the morning's check covers its nest; nobody checked the one that wears."""


@dataclass
class HistoryWriter:
    """Invents measurements of specimens and writes them as the bench would."""

    ledger: Ledger
    limit_sets: LimitSets
    settings: Settings
    seed: int

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self._crimper = workshop.Crimper(self.rng, self.settings.fixture)
        self._meter_worth = load_meter_profile(METER_PROFILE).worth(range_ohm=0.01)
        self._tester_worth = load_tester_profile(TESTER_PROFILE).worth
        self._check: MorningCheck | None = None
        self._last_sample_seq = 0
        self._reels: dict[str, Reel] = {}
        self._validated: dict[str, list[JobSample]] = {}

    def write(self, today: date, days: int, progress: Progress | None = None) -> None:
        """Write people, tools, validation samples, baselines and daily samples: all or nothing.

        The ledger must be empty.
        """
        plan = list(planned_samples(today, days, self.rng))
        with self.ledger.transaction():
            self._write_people_and_tools(plan[0].at - timedelta(hours=1))
            self._write_reels(plan[0].at - timedelta(minutes=30))
            for done, planned in enumerate(plan):
                if planned.job != "tool_validation":
                    self._write_baselines(planned.at - timedelta(minutes=5))
                self._turn_check(plan, done)
                finished = self._write_sample(planned)
                if planned.job == "tool_validation":
                    self._validated.setdefault(planned.joint.key, []).append(_as_judged(finished))
                if progress is not None:
                    progress(done + 1, len(plan))
            self._end_check(plan[-1].at)
            self._write_baselines(plan[-1].at + timedelta(minutes=5))

    def _write_people_and_tools(self, at: datetime) -> None:
        lead = next(name for name, role in workshop.PEOPLE.items() if role == "lead")
        for name, role in workshop.PEOPLE.items():
            person = PersonAdded.model_validate({"demo": True, "name": name, "role": role})
            self.ledger.append(person, person=lead, moment=moment(at))
        for tool, description in workshop.TOOLS.items():
            added = ToolAdded(
                demo=True, tool=tool, description=description, nests=tuple(workshop.NEST_SIZES)
            )
            self.ledger.append(added, person=lead, moment=moment(at))

    def _write_reels(self, at: datetime) -> None:
        """Put one reel of each gauge on record, and a measured metre of it."""
        worth = load_meter_profile(METER_PROFILE).worth(range_ohm=0.1)
        for size in dict.fromkeys(one for sizes in workshop.NEST_SIZES.values() for one in sizes):
            added = workshop.reel(size)
            true_ohm = drawn_wire_ohm_per_m(parse_size(size))
            repeats = [
                noisy(true_ohm, _METER_NOISE_OHM, worth.resolution_ohm, self.rng)
                for _ in range(self.settings.repeats)
            ]
            measured = measured_reel(
                Reel(added), repeats, worth, (1.0, 0.001), (20.0, 1.0), instrument="invented"
            ).model_copy(update={"demo": True})
            for entry in (added, measured):
                self.ledger.append(entry, person="Benno", moment=moment(at))
            self._reels[size] = Reel(added, measured, at)

    def _turn_check(self, plan: Sequence[Planned], position: int) -> None:
        """End the check of one day and begin that of the next, where a new day begins."""
        planned = plan[position]
        if planned.job != "daily_check":
            return
        if self._check is not None and self._check.day == planned.at.date():
            return
        self._end_check(plan[position - 1].at)
        day = [item for item in plan[position:] if item.at.date() == planned.at.date()]
        keys = dict.fromkeys((p.joint.tool, p.joint.nest) for p in day if p.checked)
        # Samples count that are begun after the entry before.
        nests = [
            {
                "tool": tool,
                "nest": nest,
                "counts_from_seq": self._last_sample_seq,
                "voids_from_seq": self._last_sample_seq,
                "run_length": self.settings.wear_watch_run_length,
            }
            for tool, nest in keys
        ]
        begun = job_begun("daily_check", ROUND, {"nests": nests}, demo=True)
        at = moment(planned.at - timedelta(minutes=1))
        job_id = self.ledger.append(begun, person=planned.person, moment=at).id
        self._check = MorningCheck(job_id, planned.at.date(), planned.person)

    def _end_check(self, last_sample_at: datetime) -> None:
        """Write what was found of each nest by the morning's samples, and the end of the check.

        The wear watch is not asked: nests that wear in the invented history are not checked in it.
        """
        made, self._check = self._check, None
        if made is None:
            return
        words: dict[Nest, OutcomeWord] = {}
        left: list[Nest] = []
        at = moment(last_sample_at + timedelta(minutes=3))
        for key, samples in made.samples.items():
            evidence = NestEvidence(tuple(sample.verdict for sample in samples))
            finding = daily_check.judge(ROUND, evidence)
            if finding.outcome is None or finding.outcome == "held":
                left.append(key)
                continue
            words[key] = finding.outcome
            content: dict[str, JsonValue] = {
                "tool": key[0],
                "nest": key[1],
                "outcome": finding.outcome,
                "needs": "",
                "stage": finding.stage,
                "reasons": list(finding.reasons),
                "samples": [sample.sample_id for sample in samples],
                "voids": [],
            }
            found = JobStep(demo=True, job_id=made.job_id, step=NEST_OUTCOME, content=content)
            self.ledger.append(found, person=made.person, moment=at)
        ended = ended_with(outcome_of(words, left), made.job_id, demo=True)
        self.ledger.append(ended, person=made.person, moment=at)

    def _write_sample(self, planned: Planned) -> SampleFinished:
        specimen = self._crimper.make(planned.joint, planned.wear)
        looks = workshop.good_looks(planned.joint)
        order = SampleOrder(planned.person, planned.job, planned.joint, checklist=looks)
        if planned.checked and self._check is not None:
            order = replace(order, job_id=self._check.job_id, step=STEP_FIRST)
        begun = SampleBegun(
            demo=True, job=order.job, joint=order.joint,
            job_id=order.job_id, step=order.step,
            reels=tuple(self._reels[wire].name for wire in order.joint.wires),
        )  # fmt: skip
        sample_id = self.ledger.append(begun, person=planned.person, moment=moment(planned.at)).id
        finished, traces = self._measure(sample_id, begun, order, specimen)
        later = moment(planned.at + timedelta(minutes=2))
        entry = self.ledger.append(finished, person=planned.person, traces=traces, moment=later)
        self._last_sample_seq = entry.seq
        if planned.checked and self._check is not None:
            nest = planned.joint.tool, planned.joint.nest
            self._check.samples.setdefault(nest, []).append(finished)
        return finished

    def _measure(
        self, sample_id: str, begun: SampleBegun, order: SampleOrder, specimen: Specimen
    ) -> tuple[SampleFinished, dict[str, bytes]]:
        resolution = self._meter_worth.resolution_ohm
        repeats = [
            noisy(specimen.between_clips_ohm, _METER_NOISE_OHM, resolution, self.rng)
            for _ in range(self.settings.repeats)
        ]
        joint, fixture = order.joint, self.settings.fixture
        between = BetweenClips.of(
            shipped_book(), joint, fixture, temperature_set(fixture),
            [self._reels[wire] for wire in joint.wires],
        )  # fmt: skip
        reduced = reduce_reading(repeats, self._meter_worth, joint, between)
        used = InstrumentUsed(
            profile=METER_PROFILE, identity="invented", port="none", simulated=True
        )
        resistance = resistance_result(repeats, reduced, between, used)
        force = pull_curve(specimen, self.rng, sample_rate_hz=RATE_HZ)
        force = np.round(force + self.rng.normal(0.0, _FORCE_NOISE_N, force.size), 1)
        time_s = np.arange(force.size) / RATE_HZ
        size, digit_n = parse_size(order.joint.wires[0]), self._tester_worth.resolution_n
        pulled = reduce_trace(time_s, force, wire=size, resolution_n=digit_n)
        data = encode_trace(time_s, force)
        mode = "drawn_out" if specimen.failure == "slip" else "broke_at_edge"
        used = used.model_copy(update={"profile": TESTER_PROFILE})
        pull = pull_result(pulled, self._tester_worth, mode, trace_key(data), used)
        found = self.limit_sets.judging(parse_size(order.joint.wires[0]))
        results, guard = Results(resistance, pull), self.settings.guard
        finished = finished_sample(
            sample_id, begun, results, judge(found.limits, results, guard),
            guard=guard, checklist=order.checklist, looked=True,
        )  # fmt: skip
        return finished, {trace_key(data): data}

    def _write_baselines(self, at: datetime) -> None:
        """Set the baseline of every joint validated, once."""
        for samples in self._validated.values():
            if (baseline := baseline_by(samples, demo=True)) is not None:
                self.ledger.append(baseline, person="Ottilie", moment=moment(at))
        self._validated.clear()


def planned_samples(today: date, days: int, rng: np.random.Generator) -> Iterator[Planned]:
    """Validation on the first day, then a few samples per nest on every working day."""
    first = today - timedelta(days=days)
    start = opening(first)
    for position, joint in enumerate(workshop.joints()):
        for repeat in range(VALIDATION_SAMPLES):
            minutes = (position * VALIDATION_SAMPLES + repeat) / 2.0
            at = start - timedelta(days=1) + timedelta(minutes=minutes)
            yield Planned(at, "Ottilie", "tool_validation", joint, 0.0)
    people = list(workshop.PEOPLE)
    for day in range(days):
        now = first + timedelta(days=day)
        if now.weekday() >= 5:
            continue
        elapsed = day / max(days - 1, 1)
        yield from _planned_day(opening(now), people[day % len(people)], elapsed, rng)


def _planned_day(
    start: datetime, person: str, elapsed: float, rng: np.random.Generator
) -> Iterator[Planned]:
    minute = 0
    for tool in workshop.TOOLS:
        for nest, sizes in workshop.NEST_SIZES.items():
            wear = workshop.wear_of(tool, nest, elapsed)
            for _ in range(ROUND.first_stage):
                size = sizes[int(rng.integers(len(sizes)))]
                joint = workshop.joint(tool, nest, size)
                at = start + timedelta(minutes=minute)
                yield Planned(at, person, "daily_check", joint, wear, checked=wear == 0.0)
                minute += 3


def opening(day: date) -> datetime:
    """When the shop opens on a day, by UTC."""
    return datetime.combine(day, time(6, 30), tzinfo=UTC)


def moment(at: datetime) -> Moment:
    """Moment of an invented entry; its boot identifier says that it is invented."""
    return Moment(at, clock_synced=True, boot_id="invented", monotonic_s=at.timestamp())


def _as_judged(one: SampleFinished) -> JobSample:
    splice_ohm = None if one.resistance is None else one.resistance.splice_ohm
    return JobSample(
        one.sample_id, one.joint, one.verdict, None, one.criteria, splice_ohm=splice_ohm
    )
