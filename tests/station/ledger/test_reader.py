import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.dialects import sqlite

from station.errors import LedgerReadOnly
from station.ledger import database, tables
from station.ledger.chain import Moment
from station.ledger.entries import PersonAdded, SampleBegun, SampleFinished
from station.ledger.reader import LedgerReader
from station.ledger.rows import Counts
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)


def test_samples_come_newest_first_and_page_by_page(full_ledger: Ledger) -> None:
    reader = full_ledger.reader
    everything = [row.begun_seq for row in reader.samples()]
    assert everything == sorted(everything, reverse=True)
    assert len(everything) == 8
    pages: list[int] = []
    before = None
    while page := reader.samples(limit=3, before_seq=before):
        pages += [row.begun_seq for row in page]
        before = page[-1].begun_seq
    assert pages == everything
    oldest = [row.begun_seq for row in reader.samples(limit=2, newest_first=False)]
    assert oldest == everything[::-1][:2]


def test_samples_are_chosen_by_tool_nest_and_person(
    full_ledger: Ledger, begun: Callable[..., SampleBegun]
) -> None:
    other = full_ledger.append(begun(tool="T2", nest="B"), person="Ana")
    reader = full_ledger.reader
    assert [row.sample_id for row in reader.samples(tool="T2")] == [other.id]
    assert [row.sample_id for row in reader.samples(person="Ana")] == [other.id]
    assert [row.nest for row in reader.samples(tool="T1", nest="B")] == ["B", "B"]
    assert reader.samples(tool="T2", nest="A") == []


def test_one_sample_and_what_was_written_of_it(full_ledger: Ledger) -> None:
    reader = full_ledger.reader
    finish = next(full_ledger.reader.entries(SampleFinished.KIND))
    assert isinstance(finish.payload, SampleFinished)
    row = reader.sample(finish.payload.sample_id)
    assert row is not None
    assert row.finished_seq == finish.seq
    assert reader.finished_payload(row.sample_id) == finish.payload
    written = reader.finished_payloads(reader.samples())
    assert written[row.sample_id] == finish.payload
    assert set(written).isdisjoint({open_one.sample_id for open_one in reader.unfinished()})
    numbers = [finish.seq, 1, finish.seq]
    assert [entry.seq for entry in reader.numbered(numbers)] == [1, finish.seq]
    assert row.trace_sha256 is not None
    assert reader.trace(row.trace_sha256) is not None
    assert reader.sample("unknown") is None
    assert reader.finished_payload("unknown") is None
    assert reader.finished_payload(reader.unfinished()[0].sample_id) is None


def test_unfinished_samples_are_those_still_to_be_done(full_ledger: Ledger) -> None:
    begun = [entry.id for entry in full_ledger.reader.entries(SampleBegun.KIND)]
    # Four were finished; the fifth was replaced by the seventh.
    assert [row.sample_id for row in full_ledger.reader.unfinished()] == [begun[5], begun[6]]


def test_the_samples_of_a_nest_come_oldest_first(full_ledger: Ledger) -> None:
    rows = full_ledger.reader.nest_samples("T1", "A")
    assert [row.nest for row in rows] == ["A"] * 5
    assert [row.begun_seq for row in rows] == sorted(row.begun_seq for row in rows)
    assert full_ledger.reader.nest_samples("T1", "C") == []


def test_tools_people_and_services_are_as_last_described(full_ledger: Ledger) -> None:
    reader = full_ledger.reader
    (tool,) = reader.tools()
    assert (tool.tool, tool.nests, tool.demo) == ("T1", ("A", "B"), False)
    assert [(row.name, row.role) for row in reader.people()] == [
        ("Ana", "lead"),
        ("Bo", "installer"),
    ]
    assert [row.action for row in reader.services("T1", "A")] == ["new die", "adjusted"]
    assert [row.action for row in reader.services("T1", "B")] == ["adjusted"]
    assert reader.services("T2", "A") == []


def test_who_left_is_known_and_no_longer_offered(full_ledger: Ledger) -> None:
    reader = full_ledger.reader
    assert [row.name for row in reader.people(former=True)] == ["Ana", "Bo", "Cy"]
    left = reader.person("Cy")
    assert left is not None
    assert (left.role, left.active) == ("installer", False)
    assert reader.person("Nobody") is None


def test_the_audit_tells_the_newest_first_and_page_by_page(full_ledger: Ledger) -> None:
    reader = full_ledger.reader
    told = [(row.event, row.about, row.person, row.detail) for row in reader.audit()]
    assert told == [
        ("signed_in", "Ana", "Ana", ""),
        ("person_left", "Cy", "Ana", "moved"),
        ("role_changed", "Cy", "Ana", "apprentice to installer: since spring"),
        ("person_added", "Cy", "Ana", "apprentice"),
        ("person_added", "Bo", "Ana", "installer"),
        ("person_added", "Bo", "Ana", "apprentice"),
        ("person_added", "Ana", "Ana", "lead"),
    ]
    pages = []
    before = None
    while page := reader.audit(limit=3, before_seq=before):
        pages += page
        before = page[-1].seq
    assert pages == reader.audit()
    assert [row.event for row in reader.audit("Ana")] == ["signed_in", "person_added"]


def test_the_latest_baseline_of_a_joint_is_given(
    full_ledger: Ledger, begun: Callable[..., SampleBegun]
) -> None:
    baselines = full_ledger.reader.baselines()
    assert list(baselines) == [begun().joint.key]
    assert baselines[begun().joint.key].baseline_version == 2


def test_counts(full_ledger: Ledger) -> None:
    total = len(list(full_ledger.reader.entries()))
    verdicts = {"pass": 4, "void": 1}
    assert full_ledger.reader.counts() == Counts(total, 8, 2, verdicts)


def test_an_empty_ledger_answers(ledger: Ledger) -> None:
    reader = ledger.reader
    assert reader.counts() == Counts(0, 0, 0, {})
    assert (reader.samples(), reader.tools(), reader.people()) == ([], [], [])
    assert reader.baselines() == {}
    assert reader.is_demo() is False


def test_one_invented_entry_makes_a_demo(ledger: Ledger) -> None:
    ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana")
    assert ledger.reader.is_demo() is False
    for _ in range(2):
        ledger.append(PersonAdded(name="Bo", role="lead", demo=True), person="Ana")
        assert ledger.reader.is_demo() is True
    assert [row.demo for row in ledger.reader.people()] == [False, True]


def test_a_reader_follows_the_writer(ledger: Ledger) -> None:
    with LedgerReader.open(ledger.path) as reader:
        written = ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana")
        assert [row.name for row in reader.people()] == ["Ana"]
        assert reader.entry(written.id) == written


def test_a_reader_cannot_write(full_ledger: Ledger) -> None:
    engine = database.reading_engine(full_ledger.path)
    with (
        engine.connect() as connection,
        pytest.raises(LedgerReadOnly),
        database.plain_errors(full_ledger.path),
    ):
        connection.exec_driver_sql("DELETE FROM person")
    engine.dispose()


def test_lists_are_read_through_indexes(full_ledger: Ledger) -> None:
    # Source: SQLite's own query plan: SEARCH or SCAN ... USING INDEX, no temporary sorting.
    unfinished = tables.UNFINISHED.compile(dialect=sqlite.dialect())
    queries = [
        "SELECT * FROM sample WHERE tool = 'T1' ORDER BY begun_seq DESC LIMIT 9",
        "SELECT * FROM sample WHERE tool = 'T1' AND nest = 'A' ORDER BY begun_seq DESC LIMIT 9",
        "SELECT * FROM sample WHERE person = 'Bo' AND begun_seq < 9 ORDER BY begun_seq DESC",
        f"SELECT * FROM sample WHERE {unfinished} AND verdict IS NULL ORDER BY begun_seq",
        f"SELECT * FROM entry WHERE bench = 'b' AND kind = 'k' AND {tables.RARE_KIND} AND seq > 3 "
        "ORDER BY seq LIMIT 9",
    ]
    with closing(sqlite3.connect(full_ledger.path)) as connection:
        for query in queries:
            plan = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {query}")]
            assert len(plan) == 1, plan
            assert "INDEX" in plan[0], plan


def test_entries_of_every_kind_are_found(full_ledger: Ledger) -> None:
    reader = full_ledger.reader
    every = list(reader.entries())
    for kind in {entry.kind for entry in every}:
        of_kind = [entry for entry in every if entry.kind == kind]
        assert list(reader.entries(kind)) == of_kind
        assert list(reader.entries(kind, after_seq=of_kind[0].seq)) == of_kind[1:]
        assert list(reader.entries(kind, limit=1)) == of_kind[:1]


def test_a_page_reads_no_more_than_it_shows(
    ledger_path: Path, ticking: Callable[[], Moment], begun: Callable[..., SampleBegun]
) -> None:
    with Ledger.open(ledger_path) as ledger:
        with ledger.transaction():
            for _ in range(250):
                ledger.append(begun(), person="Bo", moment=ticking())
        assert len(ledger.reader.samples()) == 100
        assert len(ledger.reader.samples(limit=10, before_seq=5)) == 4


def test_the_last_entry_counts_whatever_its_clock_said(ledger: Ledger) -> None:
    assert ledger.reader.last_entry_at() is None
    at = datetime(2031, 1, 2, tzinfo=UTC)
    for back in (timedelta(0), timedelta(days=400)):
        moment = Moment(at - back, clock_synced=False, boot_id="invented", monotonic_s=1.0)
        ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana", moment=moment)
    # The clock was set back: order and chain hold, and the time is kept as it was told.
    assert ledger.reader.last_entry_at() == at - timedelta(days=400)
    assert [entry.clock_synced for entry in ledger.reader.entries()] == [False, False]
    assert [entry.at_utc for entry in ledger.reader.entries()] == [at, at - timedelta(days=400)]
    assert verify_ledger(ledger.path).first_bad is None
