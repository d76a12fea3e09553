"""Keeps daily checks: what counts for a nest, what follows from it, which nests are due."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Literal, cast

from pydantic import JsonValue

from station.errors import BadInput
from station.jobs.daily import judge as daily_check
from station.jobs.daily.judge import (
    CheckedNest,
    DueNest,
    LastCheck,
    NestHistory,
    NestProgress,
    OutcomeWord,
    Place,
)
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.plans import Plan
from station.jobs.sample_order import SampleOrder
from station.jobs.step import Content, Course, Outcome, job_ended
from station.ledger.entries import NEST_OUTCOME, JobStep, NestHeld, Payload
from station.ledger.jobs import holds, job_record, jobs, nest_checks
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord
from station.settings import Settings
from station.shop.nests import demand_free, since_good_check

RECENT_CHECKS = 500
"""Checks looked through for one that was broken off."""


class DailyRound:
    """The keeper of daily checks.

    Parameters
    ----------
    now
        Tells which day is today.
    """

    def __init__(
        self, reader: LedgerReader, settings: Settings, *, demo: bool, now: Callable[[], datetime]
    ) -> None:
        self._reader = reader
        self._settings = settings
        self._demo = demo
        self._now = now

    def scope(self, plan: Plan, asked: Mapping[str, object], person: str) -> Content:  # noqa: ARG002
        """Nests to be checked, with the entry from which their samples count.

        Raises
        ------
        BadInput
            No nest, an unknown one, or one that is being checked already.
        NestOnHold
            One of them is held.
        """
        places = self._asked_places(asked)
        under_check = self.open_checks()
        for tool, nest in places:
            demand_free(self._reader, tool, nest, daily_check.JOB)
            if (tool, nest) in under_check:
                raise BadInput(
                    f"Nest {nest} of {tool} is being checked in job {under_check[tool, nest]}: "
                    "go on there, or end that one."
                )
        limit_set = getattr(plan, "limit_set", None) or self._settings.limit_set
        return {
            "limit_set": limit_set,
            "nests": [self._counting(*place) for place in places],
        }

    def course(self, record: JobRecord) -> Course:
        """How a check stands."""
        return daily_check.course(self.progress(record), found_of(record))

    def check_sample(self, record: JobRecord, order: SampleOrder) -> str:
        """The stage that a sample belongs to.

        Raises
        ------
        BadInput
            Its nest is not part of the check, or needs no more samples.
        """
        place = (order.joint.tool, order.joint.nest)
        judged_by = record.begun.scope.get("limit_set")
        if judged_by is not None and order.limit_set != judged_by:
            raise BadInput(
                f"This check judges by the limit set {judged_by}, not by {order.limit_set}: it was "
                "fixed when the check began."
            )
        self._demand_made_again(place, order.offered_again_for)
        for item in self.progress(record):
            if item.nest.place == place and item.finding.outcome is None:
                return item.finding.stage
        raise BadInput(
            f"Job {record.row.job_id} wants no sample of {place[0]}, nest {place[1]}: "
            "ask the job what is next."
        )

    def check_step(
        self,
        record: JobRecord,  # noqa: ARG002
        step: str,
        content: Content,  # noqa: ARG002
        person: str,  # noqa: ARG002
    ) -> Content:
        """A check has no steps beside its samples (BadInput)."""
        raise BadInput(f"A daily check has no step {step!r}: it is made of samples only.")

    def settle(self, record: JobRecord) -> Sequence[Payload]:
        """What was found of each nest that needs no more samples; the end when all are found."""
        entries: list[Payload] = []
        open_ones = self.progress(record)
        words = found_of(record)
        for item in open_ones:
            if item.finding.outcome is not None:
                entries += self._found(record.row.job_id, item)
                words[item.nest.place] = item.finding.outcome
        if len(words) == len(checked_nests(record)):
            entries.append(job_ended(record, daily_check.outcome_of(words)))
        return entries

    def ending(self, record: JobRecord, person: str) -> Outcome:  # noqa: ARG002
        """A check that is ended before its time is broken off; its samples count in the next."""
        words = found_of(record)
        left = [nest.place for nest in checked_nests(record) if nest.place not in words]
        return daily_check.outcome_of(words, left)

    def progress(self, record: JobRecord) -> list[NestProgress]:
        """How each nest stands that is not settled yet."""
        plan = plan_of(record)
        found = found_of(record)
        baselines = self._reader.baselines()
        progress = []
        for nest in checked_nests(record):
            if nest.place in found:
                continue
            services = self._reader.services(*nest.place)
            serviced = max((service.seq for service in services), default=0)
            samples = self._reader.nest_samples(*nest.place, since_seq=0)
            history = NestHistory(samples, baselines, serviced)
            progress.append(daily_check.progress_of(plan, nest, history))
        return progress

    def due(self, plan: DailyCheckPlan) -> list[DueNest]:
        """Which nests are due today and why."""
        under_check = self.open_checks()
        held = {(row.tool, row.nest): row.reason for row in holds(self._reader)}
        nests = [
            self._last_check((row.tool, nest), under_check, held)
            for row in self._reader.tools()
            for nest in row.nests
        ]
        return daily_check.due_today(plan, nests, self._now().astimezone().date())

    def open_checks(self) -> dict[Place, str]:
        """Nests that are being checked and not settled yet, with their job."""
        found: dict[Place, str] = {}
        for row in jobs(self._reader, job=daily_check.JOB, only_open=True):
            record = job_record(self._reader, row.job_id)
            settled = found_of(record)
            for nest in checked_nests(record):
                if nest.place not in settled:
                    found[nest.place] = row.job_id
        return found

    def _demand_made_again(self, place: Place, replaces: str | None) -> None:
        """Refuse a fresh sample while one of the nest is unfinished: none is quietly forgotten."""
        left = [
            row.sample_id
            for row in self._reader.unfinished()
            if (row.tool, row.nest) == place and row.job == daily_check.JOB
        ]
        if left and replaces not in left:
            raise BadInput(
                f"Sample {left[0]} of {place[0]}, nest {place[1]} was begun and never finished: "
                "measure it again or void it first."
            )

    def _last_check(
        self, place: Place, under_check: Mapping[Place, str], held: Mapping[Place, str]
    ) -> LastCheck:
        checks = nest_checks(self._reader, *place, limit=1)
        last = checks[-1] if checks else None
        services = self._reader.services(*place)
        return LastCheck(
            *place,
            checked_on=None if last is None else last.at_utc.astimezone().date(),
            outcome=None if last is None else last.outcome,
            serviced_since=last is not None and any(item.seq > last.seq for item in services),
            open_job=under_check.get(place),
            held=held.get(place),
        )

    def _asked_places(self, asked: Mapping[str, object]) -> list[Place]:
        known = [(row.tool, nest) for row in self._reader.tools() for nest in row.nests]
        wanted = asked.get("nests")
        places: list[Place] = []
        for item in wanted if isinstance(wanted, list) else []:
            match item:
                case [str(tool), str(nest)]:
                    places.append((tool, nest))
                case _:
                    raise BadInput("Name the nests to be checked as pairs of tool and nest.")
        if not places:
            raise BadInput("Say which nests are to be checked: a tool, and a nest of it.")
        for tool, nest in places:
            if (tool, nest) not in known:
                raise BadInput(f"There is no nest {nest!r} of a tool {tool!r} on record.")
        return list(dict.fromkeys(places))

    def _counting(self, tool: str, nest: str) -> Content:
        """The entry after which samples count: the last finding, or before what was broken off."""
        reader = self._reader
        settled = [row for row in nest_checks(reader, tool, nest) if row.needs != "lead"]
        services = reader.services(tool, nest)
        since = max(
            settled[-1].seq if settled else 0, max((item.seq for item in services), default=0)
        )
        earlier = self._broken_off(tool, nest, since) + self._loose_today(tool, nest, since)
        counts_from = min([self._reader.counts().entries, *earlier])
        released = [
            row.released_seq or 0 for row in holds(reader, tool=tool, nest=nest, only_open=False)
        ]
        return {
            "tool": tool,
            "nest": nest,
            "counts_from_seq": counts_from,
            "voids_from_seq": max(counts_from, *released, 0),
            "run_length": self._settings.wear_watch_run_length,
        }

    def _broken_off(self, tool: str, nest: str, since: int) -> list[int]:
        """Where the samples of earlier checks of this nest count from that came to no finding."""
        later = [
            job_record(self._reader, row.job_id)
            for row in jobs(self._reader, job=daily_check.JOB, limit=RECENT_CHECKS)
            if row.begun_seq > since
        ]
        return [
            max(checked.counts_from_seq, since)
            for record in later
            for checked in checked_nests(record)
            if checked.place == (tool, nest)
        ]

    def _loose_today(self, tool: str, nest: str, since: int) -> list[int]:
        """Just before the first sample that was made today outside of a job."""
        start = self._now().astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
        rows = self._reader.nest_samples(tool, nest, since_seq=since, limit=RECENT_CHECKS)
        return [
            row.begun_seq - 1
            for row in rows
            if row.job == daily_check.JOB and row.job_id is None and row.at_utc >= start
        ][:1]

    def _found(self, job_id: str, item: NestProgress) -> list[Payload]:
        finding, nest = item.finding, item.nest
        content: Content = {
            "tool": nest.tool,
            "nest": nest.nest,
            "outcome": finding.outcome,
            "needs": finding.needs if finding.outcome == "held" else "",
            "stage": finding.stage,
            "reasons": list(finding.reasons),
            "samples": [row.sample_id for row in item.counted],
            "voids": [row.sample_id for row in item.voids],
        }
        if finding.outcome != "held":
            return [
                JobStep(job_id=job_id, step=NEST_OUTCOME, content=content, demo=self._demo),
            ]
        since = since_good_check(self._reader, nest.tool, nest.nest)
        content["since_last_good"] = cast(JsonValue, since.as_document())
        held = NestHeld(
            tool=nest.tool, nest=nest.nest, reason=" ".join(finding.reasons), job_id=job_id,
            needs=finding.needs, demo=self._demo,
        )  # fmt: skip
        return [JobStep(job_id=job_id, step=NEST_OUTCOME, content=content, demo=self._demo), held]


def plan_of(record: JobRecord) -> DailyCheckPlan:
    """The plan that was in force when the check began."""
    return DailyCheckPlan.model_validate(record.begun.plan)


def checked_nests(record: JobRecord) -> list[CheckedNest]:
    """The nests in the scope of a check."""
    items = record.begun.scope.get("nests", [])
    limit_set = record.begun.scope.get("limit_set")
    return [
        CheckedNest(
            tool=str(item["tool"]),
            nest=str(item["nest"]),
            counts_from_seq=int(cast(int, item["counts_from_seq"])),
            voids_from_seq=int(cast(int, item["voids_from_seq"])),
            run_length=float(cast(float, item["run_length"])),
            limit_set=None if limit_set is None else str(limit_set),
        )
        for item in (items if isinstance(items, list) else [])
        if isinstance(item, dict)
    ]


def found_of(record: JobRecord) -> dict[Place, OutcomeWord]:
    """Outcomes on record, by tool and nest."""
    return {
        (str(taken.step.content["tool"]), str(taken.step.content["nest"])): cast(
            Literal["released", "watch", "held"], taken.step.content["outcome"]
        )
        for taken in record.steps_named(NEST_OUTCOME)
    }
