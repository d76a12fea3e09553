"""The read tables: what entries do to them, and that rebuilding gives the same."""

import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from station.errors import BadInput, LedgerDamaged, LedgerError
from station.ledger import tables
from station.ledger.entries import (
    BaselineSet,
    Correction,
    Joint,
    PersonAdded,
    PullResult,
    SampleBegun,
    SampleFinished,
)
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Begun = Callable[..., SampleBegun]
Finished = Callable[..., SampleFinished]


def read_tables(path: Path) -> dict[str, list[Any]]:
    with closing(sqlite3.connect(path)) as connection:
        names = [*tables.read_tables.tables, "meta"]
        return {
            name: connection.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall()
            for name in names
        }


def row_of(ledger: Ledger, sample_id: str) -> SampleRow:
    row = ledger.reader.sample(sample_id)
    assert row is not None
    return row


def test_a_begun_sample_has_no_result(ledger: Ledger, begun: Begun) -> None:
    entry = ledger.append(begun(demo=True), person="Bo")
    row = row_of(ledger, entry.id)
    assert (row.begun_seq, row.finished_seq, row.at_utc) == (1, None, entry.at_utc)
    assert (row.person, row.tool, row.nest) == ("Bo", "T1", "A")
    assert row.wires == ("18 AWG", "20 AWG")
    assert row.joint_key == begun().joint.key
    assert (row.verdict, row.peak_n, row.splice_ohm, row.pull_limit_n) == (None,) * 4
    assert (row.demo, row.simulated) == (True, False)


def test_a_finished_sample_has_its_results(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    sample = ledger.append(begun(nest="B"), person="Bo")
    entry = ledger.append(finished(sample.id, nest="A"), person="Ana")
    row = row_of(ledger, sample.id)
    assert (row.begun_seq, row.finished_seq, row.at_utc) == (1, 2, entry.at_utc)
    assert (row.person, row.nest, row.limit_standing) == ("Ana", "A", "shop")
    assert (row.verdict, row.failure_mode) == ("pass", "wire break")
    assert (row.splice_ohm, row.splice_u_ohm) == (0.00015, 1e-5)
    assert (row.peak_n, row.peak_u_n, row.pull_limit_n) == (112.5, 0.75, 89.0)


def test_a_sample_may_lack_either_measurement(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    sample = ledger.append(begun(), person="Bo")
    void = {"verdict": "void", "void_reason": "guard opened", "criteria": ()}
    ledger.append(finished(sample.id, resistance=None, pull=None, **void), person="Bo")
    row = row_of(ledger, sample.id)
    assert (row.verdict, row.void_reason) == ("void", "guard opened")
    assert (row.splice_ohm, row.peak_n, row.trace_sha256, row.pull_limit_n) == (None,) * 4


def test_a_simulated_instrument_marks_the_sample(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    pull = finished("").pull
    assert isinstance(pull, PullResult)
    pretended = pull.model_copy(
        update={"instrument": pull.instrument.model_copy(update={"simulated": True})}
    )
    sample = ledger.append(begun(), person="Bo")
    ledger.append(finished(sample.id, pull=pretended), person="Bo")
    assert row_of(ledger, sample.id).simulated is True


def test_the_strictest_pull_limit_in_newtons_is_shown(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    (limit,) = finished("").criteria
    others: list[dict[str, Any]] = [
        {"limit": 95.0},
        {"limit": 500.0, "criterion": "proof_force"},
        {"unit": "lbf"},
    ]
    criteria = (limit, *(limit.model_copy(update=change) for change in others))
    sample = ledger.append(begun(), person="Bo")
    ledger.append(finished(sample.id, criteria=criteria), person="Bo")
    assert row_of(ledger, sample.id).pull_limit_n == 95.0


def test_a_sample_is_finished_once_and_only_if_begun(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    sample = ledger.append(begun(), person="Bo")
    with pytest.raises(BadInput, match="elsewhere was never begun"):
        ledger.append(finished("elsewhere"), person="Bo")
    ledger.append(finished(sample.id), person="Bo")
    with pytest.raises(BadInput, match="already has the verdict 'pass'"):
        ledger.append(finished(sample.id, verdict="fail"), person="Bo")
    assert row_of(ledger, sample.id).verdict == "pass"
    assert len(list(ledger.reader.entries())) == 2


def test_a_replaced_sample_is_offered_no_more_and_cannot_be_finished(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    old = ledger.append(begun(), person="Bo")
    new = ledger.append(begun(offered_again_for=old.id), person="Bo")
    assert [row.sample_id for row in ledger.reader.unfinished()] == [new.id]
    assert row_of(ledger, new.id).replaces == old.id
    with pytest.raises(BadInput, match="was replaced by another"):
        ledger.append(finished(old.id), person="Bo")
    with pytest.raises(BadInput, match="elsewhere to be replaced is not on record"):
        ledger.append(begun(offered_again_for="elsewhere"), person="Bo")


@pytest.mark.parametrize("by", ["sample", "finish"])
def test_a_correction_changes_the_row_and_not_the_entry(
    ledger: Ledger, begun: Begun, finished: Finished, by: str
) -> None:
    sample = ledger.append(begun(), person="Bo")
    done = ledger.append(finished(sample.id), person="Bo")
    corrected = {"sample": sample.id, "finish": done.id}[by]
    change = Correction(corrects_id=corrected, reason="slipped", failure_mode="pull out")
    ledger.append(change, person="Ana")
    row = row_of(ledger, sample.id)
    assert (row.failure_mode, row.verdict) == ("pull out", "pass")
    ledger.append(change.model_copy(update={"void_sample": True}), person="Ana")
    row = row_of(ledger, sample.id)
    assert (row.verdict, row.void_reason, row.person) == ("void", "slipped", "Bo")
    assert ledger.reader.entry(done.id) == done
    assert ledger.reader.finished_payload(sample.id) == done.payload


def test_an_unfinished_sample_can_be_voided_for_good(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    sample = ledger.append(begun(), person="Bo")
    void = Correction(corrects_id=sample.id, reason="power cut", void_sample=True)
    ledger.append(void, person="Ana")
    assert ledger.reader.unfinished() == []
    with pytest.raises(BadInput, match="already has the verdict 'void'"):
        ledger.append(finished(sample.id), person="Bo")


def test_a_correction_needs_something_to_correct(ledger: Ledger) -> None:
    person = ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana")
    with pytest.raises(BadInput, match="nowhere to be corrected is not on record"):
        ledger.append(Correction(corrects_id="nowhere", reason="x"), person="Ana")
    with pytest.raises(BadInput, match="is not a sample"):
        ledger.append(Correction(corrects_id=person.id, reason="x", void_sample=True), person="Ana")
    remark = ledger.append(Correction(corrects_id=person.id, reason="misspelt"), person="Ana")
    assert remark.seq == 2


def test_a_baseline_version_is_frozen(full_ledger: Ledger) -> None:
    *_, latest = full_ledger.reader.entries(BaselineSet.KIND)
    with pytest.raises(BadInput, match="already has a baseline version 2"):
        full_ledger.append(latest.payload, person="Ana")


def test_rebuilt_read_tables_equal_the_old(full_ledger: Ledger) -> None:
    grown = read_tables(full_ledger.path)
    seen: list[tuple[int, int]] = []
    full_ledger.rebuild(lambda done, total: seen.append((done, total)))
    assert read_tables(full_ledger.path) == grown
    total = len(list(full_ledger.reader.entries()))
    assert seen == [(total, total)]


def test_emptying_the_read_tables_takes_work_in_proportion_to_the_samples(
    ledger: Ledger, begun: Begun, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted in steps of the database's own machine, which no other load changes.

    A dropped table asks, for each of its rows, whether another refers to it.
    """
    steps: list[int] = []
    recreate = tables.recreate_read_tables

    def counted(connection: Connection) -> None:
        database = connection.connection.driver_connection
        assert isinstance(database, sqlite3.Connection)
        steps.append(0)

        def step() -> int:
            steps[-1] += 1
            return 0

        database.set_progress_handler(step, 10)
        recreate(connection)
        database.set_progress_handler(None, 10)

    monkeypatch.setattr(tables, "recreate_read_tables", counted)
    for _ in range(3):
        with ledger.transaction():
            for _ in range(150):
                ledger.append(begun(), person="Ana")
        ledger.rebuild()
    few, more, most = steps
    assert most - more < 1.2 * (more - few)


steps = st.lists(
    st.tuples(st.sampled_from(["begin", "finish", "replace", "void", "mode"]), st.integers(0, 9)),
    max_size=15,
)


def _payload(ledger: Ledger, word: str, chosen: str) -> Any:
    joint = Joint(connector="c", wires=("18 AWG",), tool="T", nest="A")
    described = {"job": "check", "joint": joint, "limit_set": "shop"}
    match word:
        case "begin":
            return SampleBegun(**described)
        case "replace":
            return SampleBegun(**described, offered_again_for=chosen)
        case "void":
            return Correction(corrects_id=chosen, reason="void", void_sample=True)
        case "mode":
            return Correction(corrects_id=chosen, reason="seen", failure_mode="pull out")
    return SampleFinished(
        sample_id=chosen,
        limit_standing="shop",
        guard=1.0,
        resistance=None,
        pull=None,
        criteria=(),
        verdict="fail",
        demo=True,
        **described,
    )


@settings(max_examples=20, deadline=None)
@given(steps)
def test_whatever_was_accepted_rebuilds_to_the_same(taken: list[tuple[str, int]]) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        Ledger.open(Path(folder) / "any.ledger") as ledger,
    ):
        ids = ["nowhere"]
        for word, number in taken:
            try:
                payload = _payload(ledger, word, ids[number % len(ids)])
                ids.append(ledger.append(payload, person="Ana").id)
            except BadInput:
                continue
        grown = read_tables(ledger.path)
        ledger.rebuild()
        assert read_tables(ledger.path) == grown
        assert verify_ledger(ledger.path).entries == len(ids) - 1


def test_outdated_read_tables_are_rebuilt_when_opened(
    full_ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    grown = read_tables(full_ledger.path)
    full_ledger.close()
    with closing(sqlite3.connect(full_ledger.path)) as other:
        other.execute("CREATE TABLE forgotten (sample_id REFERENCES sample (sample_id))")
        other.execute("ALTER TABLE person ADD COLUMN shoe_size")
        other.execute("DELETE FROM tool")
        other.commit()
    monkeypatch.setattr(tables, "READ_TABLES_VERSION", tables.READ_TABLES_VERSION + 1)
    with pytest.raises(LedgerError, match="another version of the station"):
        LedgerReader.open(full_ledger.path)
    seen: list[tuple[int, int]] = []
    with Ledger.open(
        full_ledger.path, progress=lambda done, total: seen.append((done, total))
    ) as ledger:
        rebuilt = read_tables(ledger.path)
        assert {name: rebuilt[name] for name in tables.read_tables.tables} == {
            name: grown[name] for name in tables.read_tables.tables
        }
        assert ("read_tables_version", str(tables.READ_TABLES_VERSION)) in rebuilt["meta"]
        assert verify_ledger(ledger.path).first_bad is None
    assert len(seen) == 1
    with closing(sqlite3.connect(full_ledger.path)) as other, pytest.raises(sqlite3.Error):
        other.execute("SELECT * FROM forgotten")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("payload = '{}'", r"Entry 2 .* cannot be read, because name is missing"),
        ("version = 2", r"Entry 2 .* has kind 'person_added' version 2, which this station"),
        ("kind = 'later'", r"Entry 2 .* has kind 'later' version 1"),
        (
            'kind = \'correction\', payload = \'{"corrects_id":"x","reason":"y"}\'',
            r"Entry 2 .* contradicts an earlier one",
        ),
    ],
)
def test_a_rebuild_stops_at_an_entry_it_cannot_read_and_keeps_the_old_tables(
    full_ledger: Ledger, change: str, message: str
) -> None:
    grown = read_tables(full_ledger.path)
    with closing(sqlite3.connect(full_ledger.path)) as other:
        other.execute("DROP TRIGGER entry_no_update")
        other.execute(f"UPDATE entry SET {change} WHERE seq = 2")
        other.commit()
    with pytest.raises(LedgerDamaged, match=message):
        full_ledger.rebuild()
    assert read_tables(full_ledger.path) == grown
