"""Queries that must not slow down with the record: right by count, and by SQLite's own plan."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, event

from station.ledger.chain import Moment
from station.ledger.entries import Correction, SampleBegun, SampleFinished
from station.ledger.reader import UNFINISHED, LedgerReader
from station.ledger.store import Ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

START = datetime(2024, 3, 1, 8, 50, tzinfo=UTC)
VERDICTS = ("pass", "pass", "pass", "fail", "undecided", "void")


def at(minute: float) -> Moment:
    return Moment(START + timedelta(minutes=minute), True, "invented", 60.0 * minute)


@pytest.fixture
def worked(
    ledger: Ledger, begun: Callable[..., SampleBegun], finished: Callable[..., SampleFinished]
) -> Ledger:
    """Thirty samples of two people, one every five minutes, on three nests; two unfinished."""
    for number in range(30):
        tool, nest = (("T1", "A"), ("T1", "B"), ("T2", "A"))[number % 3]
        person = ("Ana", "Bo")[number % 2]
        sample = ledger.append(begun(tool=tool, nest=nest), person=person, moment=at(5 * number))
        if number in (7, 20):
            continue
        verdict = VERDICTS[number % len(VERDICTS)]
        done = finished(sample.id, nest=nest, verdict=verdict, joint=sample.payload.joint)  # type: ignore[attr-defined]
        ledger.append(done, person=person, moment=at(5 * number + 2))
    rows = ledger.reader.samples(newest_first=False)
    for row in (rows[0], rows[5], rows[7]):
        void = Correction(corrects_id=row.sample_id, reason="seen again", void_sample=True)
        ledger.append(void, person="Ana")
    return ledger


@contextmanager
def plans(reader: LedgerReader) -> Iterator[list[str]]:
    """Gather SQLite's plan of every statement that is run in the block."""
    found: list[str] = []
    engine: Engine = reader._engine

    def explain(
        connection: object, cursor: object, statement: str, parameters: object, *_: object
    ) -> None:
        with engine.connect() as other:
            raw = other.connection.driver_connection
            assert raw is not None
            rows = raw.execute(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall()
        found.extend(row[3] for row in rows)

    event.listen(engine, "before_cursor_execute", explain)
    try:
        yield found
    finally:
        event.remove(engine, "before_cursor_execute", explain)


@pytest.mark.parametrize("verdict", ["pass", "fail", "undecided", "void", UNFINISHED])
def test_samples_are_chosen_by_verdict(worked: Ledger, verdict: str) -> None:
    reader = worked.reader
    everything = reader.samples()
    expected = [row.sample_id for row in everything if (row.verdict or UNFINISHED) == verdict]
    assert expected
    assert [row.sample_id for row in reader.samples(verdict=verdict)] == expected
    first = reader.samples(verdict=verdict, limit=1)
    rest = reader.samples(verdict=verdict, before_seq=first[0].begun_seq)
    assert [row.sample_id for row in first + rest] == expected
    of_nest = [row.sample_id for row in reader.samples(tool="T1", nest="A", verdict=verdict)]
    assert of_nest == [
        row.sample_id
        for row in everything
        if (row.tool, row.nest, row.verdict or UNFINISHED) == ("T1", "A", verdict)
    ]


def test_a_nest_may_be_read_from_its_end_or_since_its_service(worked: Ledger) -> None:
    reader = worked.reader
    everything = reader.nest_samples("T1", "B")
    assert len(everything) == 10
    assert reader.nest_samples("T1", "B", limit=3) == everything[-3:]
    since = everything[4].begun_seq
    assert reader.nest_samples("T1", "B", since_seq=since) == everything[5:]


def test_counts_are_those_of_all_samples_read_one_by_one(worked: Ledger) -> None:
    rows = worked.reader.samples()
    counts = worked.reader.counts()
    assert counts.samples == len(rows) == 30
    assert counts.verdicts == Counter(row.verdict for row in rows if row.verdict)
    assert counts.unfinished == 1
    for since, until in ((None, None), (25, None), (None, 70), (40, 85)):
        found = worked.reader.verdict_counts(
            None if since is None else START + timedelta(minutes=since),
            None if until is None else START + timedelta(minutes=until),
        )
        expected: dict[str, Counter[str]] = {}
        for row in rows:
            minutes = (row.at_utc - START) / timedelta(minutes=1)
            if row.verdict and (since or -99) <= minutes < (until or 999):
                expected.setdefault(row.person, Counter())[row.verdict] += 1
        assert found == expected


def test_the_times_counted_may_be_of_any_zone(worked: Ledger) -> None:
    # Kathmandu is five and three quarter hours ahead: 14:45 there is 09:00 UTC. Source: the zone
    # database's entry Asia/Kathmandu (+05:45 since 1986).
    there = datetime(2024, 3, 1, 14, 45, tzinfo=ZoneInfo("Asia/Kathmandu"))
    found = worked.reader.verdict_counts(since=there)
    assert found == worked.reader.verdict_counts(since=datetime(2024, 3, 1, 9, tzinfo=UTC))
    assert found != worked.reader.verdict_counts()


def test_no_question_of_a_page_reads_through_the_record(worked: Ledger) -> None:
    reader = worked.reader
    with plans(reader) as found:
        reader.counts()
        reader.verdict_counts()
        reader.verdict_counts(since=START)
        reader.samples_since(0, tool="T1")
        reader.instruments()
        reader.nest_samples("T1", "A", limit=5)
        reader.samples(tool="T1", limit=5)
        reader.samples(person="Bo", limit=5)
        reader.sample("none")
        reader.entry("none")
        reader.finished_payload("none")
        reader.unfinished()
        for verdict in ("fail", "void", UNFINISHED):
            reader.samples(verdict=verdict, limit=5)
    steps = [step for step in found if re.search(r"\b(sample|entry|tally)\b", step)]
    assert len(steps) > 15
    assert not [step for step in steps if step.startswith("SCAN")]


def test_an_index_of_the_samples_that_did_not_pass_serves_the_filter(worked: Ledger) -> None:
    with plans(worked.reader) as found:
        worked.reader.samples(verdict="fail", limit=5)
    assert found == ["SEARCH sample USING INDEX sample_not_passed (verdict=?)"]
