"""Blind is blind: nobody who reads record, export or backup learns which code is whose."""

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from station.errors import BadInput, DataFileError, LedgerDamaged
from station.jobs.certification.acts import (
    acknowledge,
    begin,
    begin_resit,
    end,
    give_up,
    next_steps,
    sign,
)
from station.jobs.certification.blind import pool, show_key
from station.jobs.certification.record import Certification, read
from station.jobs.certification.sealed import SealedKey, key_file, key_of
from station.jobs.papers.of_job import paper_of
from station.jobs.record import record_hash_of
from station.ledger.backup import back_up_ledger, restore_ledger
from station.ledger.chain import canonical_json
from station.ledger.entries import CodesDrawn, KeyOpened, PersonAdded, SampleLookedAt
from station.ledger.export import export_ledger
from station.ledger.jobs import job_record
from station.ledger.rows import JobRecord
from station.ledger.store import Ledger
from station.simulation.demo import demo_limit_sets
from tests.station.jobs.certification.test_acts import (
    BEN,
    DAG,
    LEA,
    SCOPE,
    SHORT,
    START,
    judge_all,
)
from tests.station.jobs.certification.test_acts import (
    clock as clock,
)
from tests.station.jobs.certification.test_acts import (
    ledger as ledger,
)
from tests.station.jobs.certification.test_acts import (
    path as path,
)
from tests.station.jobs.recorded import Clock


@pytest.fixture
def job_id(ledger: Ledger) -> str:
    plan = SHORT.model_copy(update={"samples_per_task": 3, "spares_per_task": 1, "share": 0.5,
                                    "confidence": 0.6})  # fmt: skip
    found = begin(ledger, plan, SCOPE, demo_limit_sets(), LEA, now=START)
    show_key(ledger, read(ledger.reader, found), BEN)
    return found


def all_that_can_be_read(ledger: Ledger, folder: Path) -> bytes:
    """The ledger's files, an export and a backup, as one."""
    back_up_ledger(ledger.path, folder / "backup", replace=True)
    export_ledger(ledger.path, folder / f"export-{ledger.reader.head().seq}", now=START)
    files = [*ledger.path.parent.glob(f"{ledger.path.name}*"), *folder.rglob("*")]
    kept = {key_file(ledger.path), ledger.path.with_name(ledger.path.name + ".secrets")}
    return b"".join(one.read_bytes() for one in files if one.is_file() and one not in kept)


def test_the_key_is_nowhere_to_be_read_before_the_outcome_is_signed(
    ledger: Ledger, clock: Clock, job_id: str, tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    key = dict(read(ledger.reader, job_id).key)
    before = all_that_can_be_read(ledger, folder)
    assert not any(code.encode() in before for code in key)
    judge_all(ledger)
    # The codes that were judged are there, and nothing of what they stand for.
    judged = all_that_can_be_read(ledger, folder)
    assert any(code.encode() in judged for code in key)
    assert b'"part":"control"' not in judged
    assert b'"part":"spare"' not in judged
    assert b"key_opened" not in b"".join(
        json.dumps(entry.kind).encode() for entry in ledger.reader.entries()
    )
    sign(ledger, read(ledger.reader, job_id), LEA)
    (opened,) = job_record(ledger.reader, job_id).steps_of(KeyOpened)
    (drawn,) = job_record(ledger.reader, job_id).steps_of(CodesDrawn)
    assert opened.codes == key
    assert SealedKey(salt=opened.salt, codes=opened.codes).commitment == drawn.commitment
    key_file(ledger.path).unlink()
    assert read(ledger.reader, job_id).key == key
    acknowledge(ledger, read(ledger.reader, job_id), DAG)
    end(ledger, read(ledger.reader, job_id), person="Lea", today=date(2026, 3, 2))
    assert "controls by a certified hand" in paper_of(ledger.reader, job_id)


def test_of_two_candidates_nothing_on_record_says_whose_a_judged_code_is(
    ledger: Ledger, clock: Clock, job_id: str
) -> None:
    plan = read(ledger.reader, job_id).plan
    ledger.append(PersonAdded(name="Pia", role="installer"), person="Lea")
    scope = replace(SCOPE, candidate="Pia")
    other_id = begin(ledger, plan, scope, demo_limit_sets(), LEA, now=START)
    show_key(ledger, read(ledger.reader, other_id), BEN)
    begun_seq = ledger.reader.head().seq
    judge_all(ledger)
    both = [read(ledger.reader, one) for one in (job_id, other_id)]
    assert all(job.result.n and not job.waiting for job in both)
    assert len(both[0].record.steps_of(SampleLookedAt)) == len(both[0].samples)
    said = [canonical_json(one.payload.model_dump(mode="json")) for one in
            ledger.reader.entries(after_seq=begun_seq)]  # fmt: skip
    assert any(code in one for one in said for code in both[0].key)
    assert not any(one in text for one in (job_id, other_id, "Dag", "Pia") for text in said)
    with closing(sqlite3.connect(ledger.path)) as connection:
        named = connection.execute("SELECT entry_id FROM job_entry WHERE seq > ?", (begun_seq,))
        assert not named.fetchall()
    sign(ledger, both[0], LEA)
    acknowledge(ledger, read(ledger.reader, job_id), DAG)
    ended = end(ledger, read(ledger.reader, job_id), person="Lea", today=date(2026, 3, 2))
    job = read(ledger.reader, job_id)
    assert ended.record_hash == record_hash_of(ledger.reader, before_the_end(job.record), job.rows)
    assert {one.code for one in job.record.steps_of(SampleLookedAt)} <= set(job.key)


def before_the_end(record: JobRecord) -> JobRecord:
    """What its hash is of: all that was judged and signed."""
    assert record.row.ended_seq is not None
    assert all(taken.seq < record.row.ended_seq for taken in record.steps)
    return record


def test_only_the_owner_reads_the_keys(ledger: Ledger, job_id: str) -> None:
    assert key_file(ledger.path).stat().st_mode & 0o777 == 0o600


def test_another_key_than_the_one_that_was_drawn_is_found(ledger: Ledger, job_id: str) -> None:
    file = key_file(ledger.path)
    was = file.read_text()
    file.write_text(was.replace('"control"', '"candidate"', 1))
    with pytest.raises(LedgerDamaged, match="is not the one that was drawn"):
        read(ledger.reader, job_id)
    file.write_text("{")
    with pytest.raises(DataFileError, match="cannot be read"):
        read(ledger.reader, job_id)
    file.write_text(was)
    assert read(ledger.reader, job_id).key


def test_a_lost_key_ends_in_giving_up_and_in_nothing_else(
    ledger: Ledger, clock: Clock, job_id: str
) -> None:
    key_file(ledger.path).unlink()

    def job() -> Certification:
        return read(ledger.reader, job_id)

    (step,) = next_steps(ledger.reader, job(), clock.at)
    assert (step.name, step.blocked) == ("lost", True)
    assert "gives the certification up" in step.words
    assert not job().shown
    assert pool(ledger.reader).samples == ()
    with pytest.raises(BadInput, match="not decided"):
        sign(ledger, job(), LEA)
    with pytest.raises(BadInput, match="nothing to re-sit"):
        begin_resit(ledger, job(), LEA, now=clock.at)
    assert give_up(ledger, job(), LEA, "the computer was replaced").outcome == "given_up"
    assert paper_of(ledger.reader, job_id)


def test_a_restored_backup_finds_the_keys_beside_it(
    ledger: Ledger, path: Path, tmp_path: Path, job_id: str
) -> None:
    key = dict(read(ledger.reader, job_id).key)
    back_up_ledger(path, tmp_path / "copy")
    ledger.close()
    restore_ledger(tmp_path / "copy", path, now=START)
    with closing(sqlite3.connect(path)) as connection:
        (modes,) = connection.execute("SELECT count(*) FROM entry").fetchone()
    assert modes
    with Ledger.open(path) as again:
        assert read(again.reader, job_id).key == key
        assert key_of(path, job_record(again.reader, job_id)) == key
