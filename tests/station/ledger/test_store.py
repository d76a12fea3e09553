import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

import pytest

from station.errors import BadInput, LedgerError
from station.ledger.chain import FIRST_PREV_HASH, Moment
from station.ledger.entries import (
    KINDS,
    Correction,
    Payload,
    PersonAdded,
    SampleBegun,
    SampleFinished,
)
from station.ledger.entry import Entry
from station.ledger.store import DEFAULT_BENCH, Ledger
from station.ledger.traces import encode_trace, trace_key
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Begun = Callable[..., SampleBegun]
Finished = Callable[..., SampleFinished]
StoredTrace = Callable[[float], tuple[str, bytes]]

ANA = PersonAdded(name="Ana", role="lead")


def test_an_entry_reads_back_as_it_was_written(ledger: Ledger) -> None:
    moment = Moment(datetime(2020, 5, 4, 3, 2, 1, tzinfo=UTC), False, "boot", 7)
    written = ledger.append(ANA, person="Zoë", moment=moment)
    assert (written.bench, written.seq, written.kind) == (DEFAULT_BENCH, 1, "person_added")
    assert (written.at_utc, written.clock_synced) == (moment.at_utc, False)
    assert written.prev_hash == FIRST_PREV_HASH
    assert ledger.reader.entry(written.id) == written
    assert list(ledger.reader.entries()) == [written]


def test_every_kind_of_entry_chains_to_the_one_before(full_ledger: Ledger) -> None:
    entries = list(full_ledger.reader.entries())
    assert {entry.kind for entry in entries} == set(KINDS)
    assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))
    assert [entry.prev_hash for entry in entries[1:]] == [entry.hash for entry in entries[:-1]]


def test_entries_are_chosen_by_kind_place_and_number(full_ledger: Ledger) -> None:
    people = list(full_ledger.reader.entries("person_added", after_seq=1))
    assert [entry.seq for entry in people][:2] == [2, 3]
    assert {entry.kind for entry in people} == {"person_added"}
    assert [entry.seq for entry in full_ledger.reader.entries(after_seq=4, limit=2)] == [5, 6]
    assert list(full_ledger.reader.entries(limit=0)) == []
    assert full_ledger.reader.entry("unknown") is None


def test_more_entries_than_a_page_are_all_read(
    ledger: Ledger, ticking: Callable[[], Moment]
) -> None:
    with ledger.transaction():
        for _ in range(1203):
            ledger.append(ANA, person="Ana", moment=ticking())
    assert [entry.seq for entry in ledger.reader.entries()] == list(range(1, 1204))
    assert len(list(ledger.reader.entries(limit=777))) == 777


def test_a_ledger_goes_on_where_it_was_closed(ledger: Ledger) -> None:
    first = ledger.append(ANA, person="Ana")
    ledger.close()
    ledger.close()
    with Ledger.open(ledger.path, create=False) as again:
        second = again.append(ANA, person="Ana")
        assert (second.seq, second.prev_hash) == (2, first.hash)
        assert verify_ledger(again.path).first_bad is None


def test_a_closed_ledger_says_so(ledger: Ledger) -> None:
    ledger.close()
    with pytest.raises(LedgerError, match="was closed"):
        ledger.append(ANA, person="Ana")


def test_a_trace_is_kept_once_and_read_back(
    ledger: Ledger, begun: Begun, finished: Finished, stored_trace: StoredTrace
) -> None:
    key, data = stored_trace(100.0)
    for traces in ({key: data}, {key: data}, {}):
        sample = ledger.append(begun(), person="Ana")
        ledger.append(finished(sample.id, trace=key), person="Ana", traces=traces)
    assert ledger.reader.trace(key) == data
    assert ledger.reader.trace("unknown") is None
    assert verify_ledger(ledger.path).traces == 1


def test_a_trace_that_does_not_fit_its_entry_is_refused(
    ledger: Ledger, begun: Begun, finished: Finished, stored_trace: StoredTrace
) -> None:
    sample = ledger.append(begun(), person="Ana")
    key, data = stored_trace(100.0)
    done = finished(sample.id, trace=key)
    other = encode_trace([0.0], [1.0])
    for payload, traces, message in (
        (done, {}, "not on record: give it"),
        (done, {key: other}, "give it under its own hash"),
        (done, {key: b"plain"}, "encode it first"),
        (done, {key: data, trace_key(other): other}, "is not named"),
        (ANA, {key: data}, "is not named"),
    ):
        with pytest.raises(BadInput, match=message):
            ledger.append(payload, person="Ana", traces=traces)
    assert ledger.reader.trace(key) is None
    assert len(list(ledger.reader.entries())) == 1


class Unknown(Payload, kind="unknown"):
    pass


class PersonLater(PersonAdded):
    VERSION: ClassVar[int] = 2


def test_an_unknown_kind_or_another_version_is_refused(ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="no kind of entry 'unknown' made by Unknown"):
        ledger.append(Unknown(), person="Ana")
    with pytest.raises(BadInput, match="PersonLater: use one of"):
        ledger.append(PersonLater(name="Ana", role="lead"), person="Ana")
    assert list(ledger.reader.entries()) == []


def test_a_payload_that_is_no_unicode_is_refused(ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="cannot hold this content"):
        ledger.append(PersonAdded(name="\ud800", role="lead"), person="Ana")
    assert list(ledger.reader.entries()) == []


def test_an_entry_needs_a_person(ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="who stands at the bench"):
        ledger.append(ANA, person=" ")


def test_many_entries_are_written_together_or_not_at_all(
    ledger: Ledger, ticking: Callable[[], Moment]
) -> None:
    bad = Correction(corrects_id="nowhere", reason="none")

    def write(*payloads: Payload) -> list[Entry]:
        with ledger.transaction():
            return [ledger.append(one, person="Ana", moment=ticking()) for one in payloads]

    with pytest.raises(BadInput, match="nowhere"):
        write(ANA, bad)
    assert list(ledger.reader.entries()) == []
    assert ledger.reader.people() == []
    written = write(ANA, ANA)
    assert list(ledger.reader.entries()) == written


def test_a_transaction_joins_appends_that_need_each_other(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    with ledger.transaction():
        sample = ledger.append(begun(), person="Ana")
        ledger.append(finished(sample.id), person="Ana")
        assert list(ledger.reader.entries()) == []
    assert len(list(ledger.reader.entries())) == 2


def test_a_transaction_is_undone_by_an_error(ledger: Ledger) -> None:
    def interrupted() -> None:
        with ledger.transaction():
            ledger.append(ANA, person="Ana")
            raise RuntimeError("ours")

    with pytest.raises(RuntimeError, match="ours"):
        interrupted()
    assert list(ledger.reader.entries()) == []
    assert ledger.append(ANA, person="Ana").seq == 1


def test_a_failed_write_fails_its_transaction_even_when_caught(ledger: Ledger) -> None:
    def careless() -> None:
        with ledger.transaction():
            ledger.append(ANA, person="Ana")
            with pytest.raises(BadInput):
                ledger.append(Correction(corrects_id="nowhere", reason="x"), person="Ana")

    with pytest.raises(BadInput, match="nowhere"):
        careless()
    assert list(ledger.reader.entries()) == []


def test_threads_write_one_after_the_other(ledger_path: Path) -> None:
    with Ledger.open(ledger_path) as ledger:
        start = threading.Barrier(4)

        def write() -> None:
            start.wait()
            for _ in range(10):
                ledger.append(ANA, person="Ana")

        threads = [threading.Thread(target=write) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        report = verify_ledger(ledger.path)
        assert (report.entries, report.first_bad) == (40, None)


def test_openers_that_create_a_ledger_at_once_share_it(tmp_path: Path) -> None:
    start = threading.Barrier(3, timeout=60)  # one that fails must not keep the others waiting
    failures: list[Exception] = []
    paths = [tmp_path / f"{number}.ledger" for number in range(20)]

    def open_all() -> None:
        try:
            for path in paths:
                start.wait()
                with Ledger.open(path) as ledger:
                    ledger.append(ANA, person="Ana")
        except Exception as error:
            failures.append(error)
            start.abort()

    threads = [threading.Thread(target=open_all) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    for path in paths:
        report = verify_ledger(path)
        assert (report.entries, report.first_bad) == (3, None)


def test_a_ledger_belongs_to_one_bench(tmp_path: Path) -> None:
    path = tmp_path / "two.ledger"
    with Ledger.open(path, bench="bench-2") as ledger:
        assert ledger.append(ANA, person="Ana").bench == "bench-2"
    with Ledger.open(path) as ledger:
        assert ledger.append(ANA, person="Ana").bench == "bench-2"
    with pytest.raises(BadInput, match="belongs to the bench 'bench-2', not to 'bench-3'"):
        Ledger.open(path, bench="bench-3")


def test_a_path_that_cannot_be_a_ledger_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="There is no ledger at"):
        Ledger.open(tmp_path / "missing.ledger", create=False)
    with pytest.raises(BadInput, match=r"folder .*nowhere for the ledger does not exist"):
        Ledger.open(tmp_path / "nowhere" / "new.ledger")
    with pytest.raises(BadInput, match="is a folder"):
        Ledger.open(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_nobody_but_its_owner_reads_a_ledger(tmp_path: Path) -> None:
    path = tmp_path / "one.ledger"
    for before in (None, 0o644):
        if before:
            path.chmod(before)
        with Ledger.open(path) as ledger:
            ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana")
            modes = {file.stat().st_mode & 0o777 for file in tmp_path.glob("one.ledger*")}
        assert modes == {0o600}
