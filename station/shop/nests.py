"""Nests that are held, serviced, released and used for work: read from the ledger and entered."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from calibration.saying import say
from station.errors import BadInput, NestOnHold
from station.ledger.entries import NestHeld, NestReleased, ToolLookedAt, ToolServiced, WorkDone
from station.ledger.jobs import baseline_entries, holds, last_look, nest_checks, work
from station.ledger.reader import LedgerReader
from station.ledger.rows import HoldRow, NestCheckRow, SampleRow, ToolRow, WorkRow
from station.ledger.store import Ledger
from station.shop.rights import Right, demand
from station.shop.sign_in import active_person
from station.text import demand_plain

NestKey = tuple[str, str]
"""Tool and nest."""

IN_USE_AFTER = ("released", "watch")
"""Outcomes of a daily check that leave a nest in use."""

OLDEST_WORK = timedelta(days=3653)
"""Work is entered within ten years (our own choice): a year typed with two digits is the year 26,
and such work would be missing when a hold asks what went through a nest."""

TOOL_LOOKS = {
    "gauge": (
        say("The go gauge enters the closed nest, the no-go gauge does not."),
        say("Go/no-go gauge: the nest is not within its limits."),
    ),
    "ratchet": (
        say("The ratchet lets go only when the handles are fully closed."),
        say("The ratchet lets go too early, or sticks."),
    ),
    "jaws": (
        say("The jaws meet evenly; nothing is cracked, chipped or loose."),
        say("The jaws do not close as they should, or are damaged."),
    ),
}
"""What is looked at of the tool itself, and why a nest is held where it is not so (common practice,
no source; the tool's own instructions decide)."""

ALLOWED_ON_HELD = ("service", "tool_validation")
"""Jobs for which a held nest may be used: they are how it comes back."""


def known_tool(reader: LedgerReader, tool: str) -> ToolRow:
    """A tool on record (BadInput names those there are)."""
    tools = {row.tool: row for row in reader.tools()}
    if tool not in tools:
        raise BadInput(
            "There is no tool {tool!r} on record: use one of {known}.",
            tool=tool,
            known=", ".join(tools),
        )
    return tools[tool]


def demand_nest(tool: ToolRow, nest: str) -> None:
    """Refuse a nest that a tool has not (BadInput names those it has)."""
    if nest not in tool.nests:
        raise BadInput(
            "{tool} has no nest {nest!r}: use one of {known}.",
            tool=tool.tool,
            nest=nest,
            known=", ".join(tool.nests),
        )


def looks_due(
    reader: LedgerReader, every_days: int | None, today: date
) -> list[tuple[str, str, date | None]]:
    """Nests in use whose last look is older than so many days or their service: with its day."""
    if every_days is None:
        return []
    held = {(row.tool, row.nest) for row in holds(reader)}
    found = []
    for tool, nest in ((row.tool, nest) for row in reader.tools() for nest in row.nests):
        look = last_look(reader, tool, nest)
        day = None if look is None else look.at_utc.astimezone().date()
        serviced = look and any(row.seq > look.seq for row in reader.services(tool, nest))
        old = day is None or (today - day).days >= every_days or serviced
        if old and (tool, nest) not in held:
            found.append((tool, nest, day))
    return found


@dataclass(frozen=True)
class SinceGoodCheck:
    """What went through a nest since its last good check, newest last.

    Attributes
    ----------
    check
        The last check that left the nest in use; None where there was none.
    samples, work
        Made since; all that is on record where there was no good check.
    """

    check: NestCheckRow | None
    samples: tuple[SampleRow, ...]
    work: tuple[WorkRow, ...]

    def as_document(self) -> dict[str, object]:
        """For an entry or a JSON document."""
        return {
            "last_good_check": None if self.check is None else self.check.at_utc.isoformat(),
            "samples": [row.sample_id for row in self.samples],
            "work": [
                {"day": row.day.isoformat(), "work_order": row.work_order, "note": row.note}
                for row in self.work
            ],
        }


def since_good_check(
    reader: LedgerReader, tool: str, nest: str, *, most: int | None = None
) -> SinceGoodCheck:
    """Gather what went through a nest since its last good check; at most the latest so many."""
    good = [row for row in nest_checks(reader, tool, nest) if row.outcome in IN_USE_AFTER]
    check = good[-1] if good else None
    since = 0 if check is None else check.seq
    day = None if check is None else check.at_utc.astimezone().date()
    samples = [
        row
        for row in reader.nest_samples(tool, nest, since_seq=since, limit=most)
        if row.job not in ALLOWED_ON_HELD
    ]
    return SinceGoodCheck(
        check, tuple(samples), tuple(work(reader, tool=tool, nest=nest, since=day))
    )


def hold_of(reader: LedgerReader, tool: str, nest: str) -> HoldRow | None:
    """The hold that keeps a nest out of use, the first of several; None where it is free."""
    found = holds(reader, tool=tool, nest=nest)
    return found[0] if found else None


def way_back(reader: LedgerReader, tool: str, nest: str) -> tuple[bool, bool]:
    """Whether a held nest was serviced since, and has a new baseline since that.

    True both where nothing holds it but a lead's look.
    """
    in_need = [hold for hold in holds(reader, tool=tool, nest=nest) if hold.needs == "service"]
    if not in_need:
        return True, True
    serviced = [row.seq for row in reader.services(tool, nest) if row.seq > in_need[-1].held_seq]
    since = [entry.seq for entry in baseline_entries(reader, tool, nest)]
    return bool(serviced), bool(serviced) and any(seq > serviced[0] for seq in since)


def demand_free(reader: LedgerReader, tool: str, nest: str, job: str) -> None:
    """Refuse a held nest for all but its service and its validation.

    Raises
    ------
    NestOnHold
        It is held.
    """
    hold = hold_of(reader, tool, nest)
    if hold is not None and job not in ALLOWED_ON_HELD:
        raise NestOnHold(
            "Nest {nest} of {tool} is held since {at_utc:%Y-%m-%d}: {reason}. {hold}",
            nest=nest,
            tool=tool,
            at_utc=hold.at_utc.astimezone(),
            reason=hold.reason.rstrip("."),
            hold=say(_way_back(hold)),
        )


def _way_back(hold: HoldRow) -> str:
    if hold.needs == "lead":
        return say("Use another nest until a lead has looked and releases it.")
    return say("Use another nest until it is serviced, has a new baseline and a lead releases it.")


@dataclass(frozen=True)
class Nests:
    """Enters what happens to nests.

    Parameters
    ----------
    demo
        Marks the entries as invented.
    now
        The present moment, for work that is logged without a day.
    """

    ledger: Ledger
    demo: bool = field(kw_only=True)
    now: Callable[[], datetime] = field(kw_only=True)

    def hold(self, tool: str, nest: str, reason: str, person: str) -> None:
        """Hold a nest; anyone on record may.

        Raises
        ------
        BadInput, NotAllowed
            There is no such nest, no reason, or no such person.
        """
        active_person(self.ledger.reader, person)
        self._check_nest(tool, nest)
        reason = _given(reason, say("the reason"))
        held = NestHeld(tool=tool, nest=nest, reason=reason, demo=self.demo)
        self.ledger.append(held, person=person)

    def service(self, tool: str, nest: str | None, action: str, person: str) -> None:
        """Enter a service of a tool or nest, after which its trend starts again: a lead's.

        Raises
        ------
        BadInput, NotAllowed
            There is no such nest, nothing was done, or the person is no lead.
        """
        self._demand_lead(person)
        self._check_nest(tool, nest)
        action = _given(action, say("what was done"))
        serviced = ToolServiced(tool=tool, nest=nest, action=action, demo=self.demo)
        self.ledger.append(serviced, person=person)

    def look(self, looked: ToolLookedAt, person: str) -> None:
        """Enter a look at the tool itself; what is not so holds the nest like a failed check.

        Raises
        ------
        BadInput, NotAllowed
            There is no such nest, or no such person.
        """
        active_person(self.ledger.reader, person)
        self._check_nest(looked.tool, looked.nest)
        bad = [words for name, (_, words) in TOOL_LOOKS.items() if getattr(looked, name) is False]
        with self.ledger.transaction():
            self.ledger.append(looked.model_copy(update={"demo": self.demo}), person=person)
            if bad:
                held = NestHeld(
                    tool=looked.tool, nest=looked.nest, reason=" ".join(bad), demo=self.demo
                )
                self.ledger.append(held, person=person)

    def release(self, tool: str, nest: str, reason: str, person: str) -> None:
        """Release a held nest: a lead's, after service and a new baseline.

        Raises
        ------
        BadInput, NotAllowed
            The nest is not held, its service or new baseline is missing, or the person is no lead.
        """
        self._demand_lead(person)
        reader = self.ledger.reader
        if not holds(reader, tool=tool, nest=nest):
            raise BadInput(
                "Nest {nest} of {tool} is not held: there is nothing to release.",
                nest=nest,
                tool=tool,
            )
        self._demand_service(tool, nest)
        reason = _given(reason, say("the reason"))
        released = NestReleased(tool=tool, nest=nest, reason=reason, demo=self.demo)
        self.ledger.append(released, person=person)

    def log_work(
        self, tool: str, nest: str, work_order: str, person: str, *,
        day: date | None = None, note: str = "",
    ) -> None:  # fmt: skip
        """Note that work which left the shop was crimped in a nest.

        Raises
        ------
        BadInput, NotAllowed
            There is no such nest or person, no work order, or the day lies ahead or years back.
        NestOnHold
            The nest was held before that day and still is.
        """
        active_person(self.ledger.reader, person)
        self._check_nest(tool, nest)
        today = self.now().astimezone().date()
        day = day or today
        if day > today:
            raise BadInput(
                "The work cannot have been done on {day}: that day is still to come.", day=day
            )
        if day < today - OLDEST_WORK:
            raise BadInput("Work of {day} is too old to be entered now: check the year.", day=day)
        hold = hold_of(self.ledger.reader, tool, nest)
        if hold is not None and day > hold.at_utc.astimezone().date():
            demand_free(self.ledger.reader, tool, nest, "work")
        done = WorkDone(
            day=day, work_order=_given(work_order, say("the work order")), tool=tool, nest=nest,
            note=demand_plain(note, say("the note")), demo=self.demo,
        )  # fmt: skip
        self.ledger.append(done, person=person)

    def _demand_service(self, tool: str, nest: str) -> None:
        serviced, validated = way_back(self.ledger.reader, tool, nest)
        if not serviced:
            raise BadInput(
                "Nest {nest} of {tool} was not serviced since it was held: enter its "
                "service, validate it anew, then release it.",
                nest=nest,
                tool=tool,
            )
        if not validated:
            raise BadInput(
                "Nest {nest} of {tool} has no new baseline since its service: validate "
                "it, then release it.",
                nest=nest,
                tool=tool,
            )

    def _demand_lead(self, person: str) -> None:
        demand(active_person(self.ledger.reader, person), Right.RELEASE)

    def _check_nest(self, tool: str, nest: str | None) -> None:
        known = known_tool(self.ledger.reader, tool)
        if nest is not None:
            demand_nest(known, nest)


def _given(text: str, words: str) -> str:
    if not text.strip():
        raise BadInput("Say {words}: it was left empty.", words=say(words))
    return demand_plain(text.strip(), words)
