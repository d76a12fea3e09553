"""Entries and traces arrive once, in order, whatever breaks; other histories are refused."""

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from station.errors import LedgerDamaged, SharedAway, SharedRefused
from station.ledger.chain import Moment, entry_hash
from station.ledger.clock import now
from station.ledger.store import Ledger
from station.share import push as pushing
from station.share.push import WRONG_CLOCK_S, push, standing
from tests.station.share.conftest import Record, contents, written_anew
from tests.station.share.lines import Line

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)


def test_everything_goes_there_once_and_comes_back_the_same(
    record: Record, ledger_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pushing, "BATCH", 7)
    told: list[tuple[int, int]] = []
    entries = len(contents(ledger_file))
    before = standing(ledger_file, record.where())
    assert (before.behind, before.received) == (entries, None)
    assert push(ledger_file, record.where(), lambda *done: told.append(done)) == entries
    assert told[0] == (7, entries)
    assert told[-1] == (entries, entries)
    assert push(ledger_file, record.where()) == 0
    assert standing(ledger_file, record.where()).received is not None
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


def test_it_goes_on_from_wherever_the_network_broke(
    record: Record, ledger_file: Path, line: Line, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pushing, "BATCH", 7)
    drawn, broke = np.random.default_rng(7), 0
    size = 0
    while True:
        line.cut_after(size)
        try:
            push(ledger_file, record.where(through=line.folder))
            break
        except SharedAway:
            broke += 1
        size = int(size * 1.5 + drawn.integers(1, 1000))
    assert broke > 5
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


def test_a_bench_killed_in_mid_batch_leaves_no_half_and_goes_on(
    record: Record, ledger_file: Path, line: Line, tmp_path: Path
) -> None:
    where = record.where(through=line.folder)
    settings = tmp_path / "bench.toml"
    settings.write_text(
        f'[share]\ndatabase = "{where.database}"\npassfile = "{where.passfile}"\n', encoding="utf-8"
    )
    line.cut_after(20_000, hold=True)
    bench = subprocess.Popen(
        [sys.executable, "-m", "station", "share", "push", "--ledger", str(ledger_file),
         "--settings", str(settings)],
        stderr=subprocess.DEVNULL, env=dict(os.environ),
    )  # fmt: skip
    assert line.reached.wait(120.0)
    bench.kill()
    assert bench.wait() == -signal.SIGKILL
    assert record.rows("SELECT count(*) FROM shared.entry") == [(0,)]
    line.cut_after(None)
    line.going_on.set()
    assert push(ledger_file, where) == len(contents(ledger_file))
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


def test_a_server_killed_in_mid_batch_has_no_half_and_takes_the_rest_when_it_is_back(
    record: Record, ledger_file: Path, line: Line, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pushing, "BATCH", 7)
    line.cut_after(30_000, hold=True)
    refused: list[Exception] = []

    def bench() -> None:
        try:
            push(ledger_file, record.where(through=line.folder))
        except SharedAway as error:
            refused.append(error)

    thread = threading.Thread(target=bench)
    thread.start()
    assert line.reached.wait(120.0)
    record.server.stop()
    line.cut_after(None)
    line.going_on.set()
    thread.join()
    with pytest.raises(SharedAway, match="goes on by itself"):
        push(ledger_file, record.where())
    record.server.start()
    assert len(refused) == 1
    begun = standing(ledger_file, record.where())
    assert 0 < begun.there.seq < begun.here.seq
    assert begun.there.seq % 7 == 0
    assert push(ledger_file, record.where()) == begun.behind
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


@pytest.mark.parametrize("from_seq", [1, 2, 17])
def test_a_history_hashed_anew_is_refused_at_its_first_other_entry_and_named(
    record: Record, ledger_file: Path, tmp_path: Path, from_seq: int
) -> None:
    push(ledger_file, record.where())
    other = written_anew(ledger_file, tmp_path / "other.ledger", from_seq=from_seq)
    with pytest.raises(SharedRefused, match=f"Entry {from_seq} of bench-1 is not the one"):
        push(other, record.where())
    assert standing(other, record.where()).differs_at == from_seq
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


def test_two_benches_of_one_name_are_told_apart_and_neither_loses_anything(
    record: Record, ledger_file: Path, tmp_path: Path
) -> None:
    with Ledger.open(tmp_path / "twin.ledger", bench="bench-1") as twin:
        first = contents(ledger_file)[0] | {"boot_id": "twin"}
        twin.adopt([first | {"hash": entry_hash(first)}])
    push(ledger_file, record.where())
    with pytest.raises(
        SharedRefused, match=r"Entry 1 of bench-1 .* another bench has the same name"
    ):
        push(tmp_path / "twin.ledger", record.where())
    assert len(contents(tmp_path / "twin.ledger")) == 1
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


def test_an_older_copy_of_a_ledger_is_refused_and_told_what_to_do(
    record: Record, ledger_file: Path, tmp_path: Path
) -> None:
    push(ledger_file, record.where())
    older = tmp_path / "older.ledger"
    with Ledger.open(older) as ledger:
        ledger.adopt(contents(ledger_file)[:1])
    assert standing(older, record.where()).behind < 0
    with pytest.raises(SharedRefused, match="only 1: it is an older copy"):
        push(older, record.where())


@pytest.mark.parametrize(("off_s", "words"), [(1.5, "ahead of"), (-1.5, "behind")])
def test_a_wrong_clock_is_named_and_all_goes_once_it_is_right(
    record: Record, ledger_file: Path, tmp_path: Path, off_s: float, words: str
) -> None:
    def wrong() -> Moment:
        moment = now()
        return replace(moment, at_utc=moment.at_utc + timedelta(seconds=off_s * WRONG_CLOCK_S))

    with pytest.raises(SharedRefused, match=rf"clock of bench-1 is \d min {words} the server's"):
        push(ledger_file, record.where(), clock=wrong)
    assert record.rows("SELECT count(*) FROM shared.entry") == [(0,)]
    push(ledger_file, record.where())
    record.demand_whole(ledger_file, tmp_path / "again.ledger")


def test_a_bench_without_a_role_here_is_refused_by_the_database(
    record: Record, bench_ledger: Callable[[str], Path]
) -> None:
    stranger = bench_ledger("bench-9")
    with pytest.raises(SharedRefused, match="row-level security"):
        push(stranger, record.where("bench-1"))


def test_a_ledger_that_lost_a_trace_is_not_passed_on_as_whole(
    record: Record, ledger_file: Path
) -> None:
    with closing(sqlite3.connect(ledger_file)) as file, file:
        file.execute("DROP TRIGGER trace_no_delete")
        file.execute("DELETE FROM trace")
    with pytest.raises(LedgerDamaged, match="is missing: verify the ledger"):
        push(ledger_file, record.where())
