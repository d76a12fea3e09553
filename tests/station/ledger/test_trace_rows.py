"""Traces stand in parts; ledgers made before there were any work on."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from station.errors import BadInput
from station.ledger import tables, trace_rows
from station.ledger.entries import SampleBegun, SampleFinished
from station.ledger.export import TraceForm, export_ledger
from station.ledger.reimport import import_export
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Pull = Callable[[float, bool], str]

NOW = datetime(2031, 1, 1, tzinfo=UTC)
WITHOUT_PARTS = """
    DROP TRIGGER trace_no_update; DROP TRIGGER trace_no_delete; DROP TRIGGER trace_no_insert;
    ALTER TABLE trace RENAME TO parted;
    CREATE TABLE trace (sha256 TEXT NOT NULL, data BLOB NOT NULL, PRIMARY KEY (sha256));
    INSERT INTO trace SELECT sha256, data FROM parted;
    DROP TABLE parted;
    CREATE TRIGGER trace_no_insert BEFORE INSERT ON trace
    WHEN EXISTS (SELECT 1 FROM trace WHERE sha256 = NEW.sha256)
    BEGIN SELECT RAISE(ABORT, 'the trace table only grows'); END;
"""


@pytest.fixture(params=["in parts", "without parts"])
def either(full_ledger: Ledger, request: pytest.FixtureRequest) -> Iterator[Ledger]:
    """A ledger as it is made today, and one as it was made before."""
    full_ledger.close()
    if request.param == "without parts":
        with closing(sqlite3.connect(full_ledger.path)) as connection:
            connection.executescript(WITHOUT_PARTS)
    with Ledger.open(full_ledger.path) as ledger:
        yield ledger


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace_rows, "ENTRIES_TO_A_PART", 3)


@pytest.fixture
def pull(
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> Callable[[Ledger], Pull]:
    def of(ledger: Ledger) -> Pull:
        def make(peak_n: float, given: bool) -> str:
            key, data = stored_trace(peak_n)
            sample = ledger.append(begun(), person="Bo")
            traces = {key: data} if given else {}
            ledger.append(finished(sample.id, trace=key), person="Bo", traces=traces)
            return key

        return make

    return of


def keys_of(ledger: Ledger) -> list[str]:
    with closing(sqlite3.connect(ledger.path)) as connection:
        return [key for (key,) in connection.execute("SELECT sha256 FROM trace ORDER BY rowid")]


def remove(ledger: Ledger, key: str) -> None:
    with closing(sqlite3.connect(ledger.path)) as connection, connection:
        connection.execute("DROP TRIGGER IF EXISTS trace_no_delete")
        connection.execute("DELETE FROM trace WHERE sha256 = ?", (key,))


def test_either_ledger_takes_gives_and_refuses_traces(
    either: Ledger,
    pull: Callable[[Ledger], Pull],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> None:
    before = len(keys_of(either))
    for given in (True, True, False):
        key = pull(either)(7.0, given)
    assert len(keys_of(either)) == before + 1
    last_seq = list(either.reader.entries())[-1].seq
    assert either.reader.trace(key) == either.reader.trace(key, last_seq) == stored_trace(7.0)[1]
    assert either.reader.trace(key, 10 * trace_rows.ENTRIES_TO_A_PART) == stored_trace(7.0)[1]
    with pytest.raises(BadInput, match="not on record: give it"):
        pull(either)(8.0, False)
    assert verify_ledger(either.path).first_bad is None
    remove(either, key)
    report = verify_ledger(either.path)
    assert report.first_bad is not None
    assert report.first_bad.startswith(f"trace {key}: entry ")
    assert report.first_bad.endswith("names it, but it is missing")


@pytest.mark.parametrize("form", ["csv", "npz"])
def test_either_ledger_is_made_again_of_its_export(
    either: Ledger, tmp_path: Path, form: TraceForm
) -> None:
    exported = export_ledger(either.path, tmp_path / "out", now=NOW, traces=form)
    made = import_export(tmp_path / "out", tmp_path / "again.ledger")
    assert (made.first_bad, made.last_hash) == (None, exported.last_hash)
    assert made.traces == exported.traces == len(keys_of(either))


@pytest.mark.usefixtures("small_parts")
@pytest.mark.parametrize("form", ["csv", "npz"])
def test_a_trace_that_comes_again_later_is_exported_once(
    ledger: Ledger, pull: Callable[[Ledger], Pull], tmp_path: Path, form: TraceForm
) -> None:
    keys = [pull(ledger)(peak_n, True) for peak_n in (1.0, 2.0, 1.0, 3.0)]
    assert keys_of(ledger).count(keys[0]) == 2
    assert verify_ledger(ledger.path).first_bad is None
    assert export_ledger(ledger.path, tmp_path / "out", now=NOW, traces=form).traces == 3
    made = import_export(tmp_path / "out", tmp_path / "again.ledger")
    assert (made.first_bad, made.traces) == (None, 3)


@pytest.mark.usefixtures("small_parts")
def test_a_trace_is_found_from_any_entry_in_any_part(
    ledger: Ledger,
    pull: Callable[[Ledger], Pull],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> None:
    for peak_n in (1.0, 2.0, 3.0):
        pull(ledger)(peak_n, True)
    first = pull(ledger)(1.0, False)
    for near_seq in (None, *range(1, 12)):
        assert ledger.reader.trace(first, near_seq) == stored_trace(1.0)[1]
    assert ledger.reader.trace("unknown", 2) is None
    assert verify_ledger(ledger.path).first_bad is None
    remove(ledger, first)
    assert verify_ledger(ledger.path).first_bad == (
        f"trace {first}: entry 2 names it, but it is missing"
    )


def test_a_new_trace_is_written_among_the_latest(
    ledger: Ledger, pull: Callable[[Ledger], Pull], monkeypatch: pytest.MonkeyPatch
) -> None:
    pull(ledger)(1.0, True)
    monkeypatch.setattr(trace_rows, "ENTRIES_TO_A_PART", 2)
    pull(ledger)(2.0, True)
    with closing(sqlite3.connect(ledger.path)) as connection:
        parts = connection.execute("SELECT part FROM trace ORDER BY rowid").fetchall()
        plan = connection.execute(
            "EXPLAIN QUERY PLAN SELECT data FROM trace WHERE sha256 = 'x' AND part IN (1, 2)"
        ).fetchall()
    assert parts == [(0,), (2,)]
    assert "(part=? AND sha256=?)" in str(plan)


def test_the_table_of_today_has_the_columns_of_before_and_the_part() -> None:
    before = [column.name for column in tables.trace_without_parts.columns]
    assert [column.name for column in tables.trace.columns] == ["part", *before]


def test_the_traces_of_further_pulls_are_named_and_missed_like_the_first(
    tmp_path: Path,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> None:
    traces = dict(stored_trace(peak_n) for peak_n in (90.0, 120.0, 150.0))
    first, *further = traces
    with Ledger.open(tmp_path / "several.ledger") as ledger:
        sample = ledger.append(begun(), person="Bo")
        done = finished(sample.id, trace=first)
        assert done.pull is not None
        pulls = [done.pull.model_copy(update={"wire": 1, "trace_sha256": key}) for key in further]
        several = done.model_copy(update={"further_pulls": tuple(pulls)})
        with pytest.raises(BadInput, match="not on record"):
            ledger.append(several, person="Bo", traces={first: traces[first]})
        ledger.append(several, person="Bo", traces=traces)
    assert verify_ledger(ledger.path).first_bad is None
    remove(ledger, further[1])
    first_bad = verify_ledger(ledger.path).first_bad
    assert first_bad == f"trace {further[1]}: entry 2 names it, but it is missing"
