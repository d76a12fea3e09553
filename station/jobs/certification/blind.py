"""Judging blind: one pool of coded samples for the whole bench, and who may not look.

While anything is to be judged, nothing that is said of one job may depend on which codes are its
own: a count that falls when a code is judged would tell whose it was. All open certifications of a
bench are therefore one pool of codes, and only the pool's count is shown.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from station.crimp.connectors import ConnectorBook
from station.errors import BadInput, NotAllowed, NotOnRecord
from station.jobs.certification.codes import in_plan_order
from station.jobs.certification.record import JOB, Certification, certifications
from station.jobs.record import demand_open
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import CodeFor, Joint, KeyShown, SampleLookedAt
from station.ledger.reader import LedgerReader
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.nests import demand_free
from station.shop.rights import Right, demand
from station.shop.sign_in import active_person
from station.text import likeness


@dataclass(frozen=True, slots=True)
class CodedSample:
    """A sample to be judged: what the judge may know of it.

    ``judged`` holds the checklist's answers once they are given; the sample is then measured.
    """

    code: str
    joint: Joint
    limit_set: str | None
    judged: Mapping[str, bool] | None


@dataclass(frozen=True)
class Pool:
    """All codes that are to be judged on a bench, in the order of the codes."""

    samples: tuple[CodedSample, ...]
    jobs: Mapping[str, Certification]
    """By code: only for what is written, never for what is shown."""
    candidates: frozenset[str]
    """Of any open certification: to refuse them one code only would tell whose it is."""
    saw_a_key: frozenset[str]
    """Those to whom a key was shown, to label the samples."""

    def is_candidate(self, person: str) -> bool:
        """Whether samples of this person may be among those to be judged."""
        return likeness(person) in self.candidates

    def demand_blind(self, person: str) -> None:
        """Refuse who may not judge or measure coded samples (NotAllowed)."""
        if self.is_candidate(person):
            raise NotAllowed(
                "{person} is a candidate of an open certification and may not judge or "
                "measure coded samples, whosever they are: somebody else must.",
                person=person,
            )
        if likeness(person) in self.saw_a_key:
            raise NotAllowed(
                "{person} has seen which code is whose and may not judge or measure "
                "coded samples: somebody else must.",
                person=person,
            )

    def demand(self, code: str) -> CodedSample:
        """A waiting sample by its code (NotOnRecord if it does not wait)."""
        found = next((one for one in self.samples if one.code == code.strip().upper()), None)
        if found is None:
            raise NotOnRecord(
                "{code!r} is no code that waits to be judged: look at the label again.",
                code=code,
            )
        return found


def pool(reader: LedgerReader) -> Pool:
    """Everything that is to be judged on this bench."""
    going = certifications(reader)
    waiting: list[CodedSample] = []
    by_code: dict[str, Certification] = {}
    for job in going:
        answers = {looked.code: looked.checklist for looked in job.record.steps_of(SampleLookedAt)}
        for code in job.waiting if job.labelled else []:
            joint = job.scope.joint(job.plan.task(job.key[code].task))
            waiting.append(CodedSample(code, joint, job.scope.limit_set, answers.get(code)))
            by_code[code] = job
    return Pool(
        tuple(sorted(waiting, key=lambda one: one.code)),
        by_code,
        frozenset(likeness(job.scope.candidate) for job in going),
        frozenset(likeness(shown.to) for job in going for shown in job.record.steps_of(KeyShown)),
    )


def show_key(ledger: Ledger, job: Certification, person: PersonRow) -> list[tuple[str, CodeFor]]:
    """The codes of the present sitting in the order of the plan, for the labels.

    Who saw it is on record before it is shown, and may judge nothing while the job is open.

    Raises
    ------
    NotAllowed
        The person is a candidate of an open certification.
    BadInput
        The job has ended.
    """
    demand_open(job.record)
    if pool(ledger.reader).is_candidate(person.name):
        raise NotAllowed(
            "{name} is a candidate of an open certification and may not see which code "
            "is whose: somebody else labels the samples.",
            name=person.name,
        )
    shown = KeyShown(demo=job.record.row.demo, job_id=job.job_id, to=person.name)
    ledger.append(shown, person=person.name)
    sitting = max((slot.sitting for slot in job.key.values()), default=1)
    present = {code: slot for code, slot in job.key.items() if slot.sitting == sitting}
    return in_plan_order(job.plan, present)


def judge(
    ledger: Ledger, code: str, faults: Collection[str], book: ConnectorBook, signer: PersonRow
) -> CodedSample:
    """Answer the checklist of a coded sample; ``faults`` are the items that are not good.

    Raises
    ------
    NotAllowed
        The signer is no lead, a candidate, or has seen a key.
    BadInput
        The code does not wait, was judged already, or an item is not on the checklist.
    """
    demand(signer, Right.SIGN_OFF)
    # Looked up while nobody else can judge the same sample.
    with ledger.transaction():
        waiting = pool(ledger.reader)
        waiting.demand_blind(signer.name)
        sample = waiting.demand(code)
        if sample.judged is not None:
            raise BadInput("{code} is judged already: measure it now.", code=sample.code)
        items = book.checklist(book.connectors[sample.joint.connector])
        for fault in faults:
            if fault not in {item.id for item in items}:
                raise BadInput("{fault!r} is not on the checklist of this connector.", fault=fault)
        answers = {item.id: item.id not in faults for item in items}
        job = waiting.jobs[sample.code]
        looked = SampleLookedAt(
            demo=job.record.row.demo,
            code=sample.code,
            checklist=answers,
            critical=tuple(item.id for item in items if item.critical),
        )
        ledger.append(looked, person=signer.name)
        return CodedSample(sample.code, sample.joint, sample.limit_set, answers)


def order(reader: LedgerReader, code: str, *, person: str) -> SampleOrder:
    """Order the measurement of a coded sample. The record files it under its code alone.

    Raises
    ------
    NotAllowed
        The person is a candidate or has seen a key.
    BadInput
        The code does not wait, the checklist has not been answered, or the sample was pulled
        already and its force is not on record.
    NestOnHold
        The nest that made it is held.
    """
    waiting = pool(reader)
    waiting.demand_blind(active_person(reader, person).name)
    sample = waiting.demand(code)
    if sample.judged is None:
        raise BadInput(
            "{code} was not looked at yet: a lead answers its checklist first.",
            code=sample.code,
        )
    demand_free(reader, sample.joint.tool, sample.joint.nest, JOB)
    left = [row for row in reader.unfinished() if row.step == sample.code]
    if any(row.pull_begun_seq is not None for row in left):
        # Another crimp under this code would not be the one that was labelled and looked at.
        raise BadInput(
            "{code} was being pulled and its force is not on record: void this unfinished "
            "sample on Today, and a spare is judged instead while there is one.",
            code=sample.code,
        )
    return SampleOrder(
        person,
        JOB,
        sample.joint,
        sample.limit_set,
        # One that was interrupted before it was pulled is measured again.
        offered_again_for=left[0].sample_id if left else None,
        checklist=sample.judged,
        step=sample.code,
    )
