"""The sample in hand on a full disk: kept, said to be unsaved, saved when there is room.

Where this process may mount one, the disk is a file system of its own, filled to the last byte.
SQLite's own limits stand in for it everywhere, and alone where mounting is not allowed: its count
of pages for a full disk, and its refusal to write for a card that is write-protected.
"""

import contextlib
import os
import subprocess
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Protocol

import pytest

from station.bench.board import Board, Stage
from station.bench.unsaved import UnsavedSample
from station.errors import BadInput, SampleUnsaved
from station.ledger.chain import Moment
from station.ledger.entries import Correction, SampleBegun, SampleFinished
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from station.ledger.verify import verify_ledger
from station.settings import Settings
from station.simulation.demo import HandsAsOperator, demo_limit_sets, simulated_bench
from tests.station.bench.test_bench import ORDER

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

NEVER_S = 1e6
WHY = "no room left on its disk|cannot be written"


def mounted(folder: Path, size: str) -> bool:
    """Whether a small file system could be mounted on the folder."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "crimp-test", str(folder)]
    with contextlib.suppress(OSError):
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    return False


class Disk(Protocol):
    """Where a ledger lives that can run out of room."""

    path: Path

    def fill(self, ledger: Ledger) -> None: ...

    def free(self, ledger: Ledger) -> None: ...


class RealDisk:
    def __init__(self, folder: Path) -> None:
        self.path = folder / "bench.ledger"
        self._ballast = folder / "ballast"

    def fill(self, ledger: Ledger) -> None:
        with self._ballast.open("wb", buffering=0) as ballast, contextlib.suppress(OSError):
            while ballast.write(os.urandom(4096)):
                pass

    def free(self, ledger: Ledger) -> None:
        self._ballast.unlink()


class ByPragma:
    """A disk played by one of SQLite's own settings of the connection that writes."""

    def __init__(self, folder: Path, full: str, free: str) -> None:
        self.path = folder / "bench.ledger"
        self._full, self._free = full, free

    def fill(self, ledger: Ledger) -> None:
        self._set(ledger, self._full)

    def free(self, ledger: Ledger) -> None:
        self._set(ledger, self._free)

    def _set(self, ledger: Ledger, pragma: str) -> None:
        driver = ledger._connection.connection.driver_connection
        assert driver is not None
        driver.execute(f"PRAGMA {pragma}")


def kinds_of_disk() -> list[str]:
    folder = Path("/tmp") / f"crimp-mount-{os.getpid()}"
    folder.mkdir()
    real = mounted(folder, "64k")
    if real:
        subprocess.run(["umount", str(folder)], check=True)
    folder.rmdir()
    return ["write protection", "file system"] if real else ["write protection"]


@pytest.fixture(params=kinds_of_disk())
def disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Disk]:
    if request.param == "write protection":
        yield ByPragma(tmp_path, "query_only = ON", "query_only = OFF")
        return
    folder = tmp_path / "small"
    folder.mkdir()
    assert mounted(folder, "1m")
    try:
        yield RealDisk(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.fixture
def small(disk: Disk, ticking: Callable[[], Moment]) -> Iterator[Ledger]:
    with Ledger.open(disk.path, clock=ticking) as ledger:
        yield ledger


@pytest.fixture
def done(
    small: Ledger,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> tuple[SampleFinished, dict[str, bytes]]:
    """A finished sample and its trace, not yet written."""
    sample = small.append(begun(), person="Ana")
    key, data = stored_trace(101.0)
    return finished(sample.id, trace=key), {key: data}


def test_a_sample_on_a_full_disk_is_kept_and_saved_when_there_is_room(
    disk: Disk, small: Ledger, done: tuple[SampleFinished, dict[str, bytes]]
) -> None:
    finished, traces = done
    board = Board()
    kept = UnsavedSample(small, board, retry_s=NEVER_S)
    before = list(small.reader.entries())
    disk.fill(small)
    with pytest.raises(SampleUnsaved, match=WHY) as unsaved:
        kept.save(finished, "Ana", traces)
    assert board.state.unsaved == str(unsaved.value)
    assert finished.sample_id in str(unsaved.value)
    assert kept.unsaved_id == finished.sample_id
    assert not kept.save_again()
    # Nothing else is damaged, and the ledger still reads.
    assert list(small.reader.entries()) == before
    assert verify_ledger(small.path).first_bad is None
    disk.free(small)
    assert kept.save_again()
    assert board.state.unsaved is None
    assert (board.state.stage, board.state.outcome) == (Stage.DONE, finished)
    *others, last = small.reader.entries()
    assert others == before
    assert last.payload == finished
    # Dated when it was finished, not when there was room.
    assert last.at_utc == before[-1].at_utc + timedelta(seconds=1)
    key, data = next(iter(traces.items()))
    assert small.reader.trace(key) == data
    assert verify_ledger(small.path).first_bad is None
    kept.close()


def test_sqlite_finding_no_more_pages_is_a_full_disk(
    tmp_path: Path, begun: Callable[..., SampleBegun], finished: Callable[..., SampleFinished]
) -> None:
    # SQLite raises the limit to the pages that there are; this trace needs more.
    disk = ByPragma(tmp_path, "max_page_count = 1", "max_page_count = 1000000")
    data = encode_trace(range(20000), [float(byte) for byte in os.urandom(20000)])
    key = trace_key(data)
    with Ledger.open(disk.path) as ledger:
        done = finished(ledger.append(begun(), person="Ana").id, trace=key)
        kept = UnsavedSample(ledger, Board(), retry_s=NEVER_S)
        disk.fill(ledger)
        with pytest.raises(SampleUnsaved, match="no room left on its disk"):
            kept.save(done, "Ana", {key: data})
        disk.free(ledger)
        kept.close()
        assert ledger.reader.trace(key) == data


def test_it_is_saved_by_itself(
    disk: Disk, small: Ledger, done: tuple[SampleFinished, dict[str, bytes]]
) -> None:
    finished, traces = done
    board = Board()
    settled: list[tuple[str | None, str]] = []

    def settle(job_id: str | None, person: str) -> str:
        settled.append((job_id, person))
        return "the job says so"

    kept = UnsavedSample(small, board, settle=settle, retry_s=0.01)
    disk.fill(small)
    with pytest.raises(SampleUnsaved):
        kept.save(finished, "Ana", traces)
    version = board.state.version
    disk.free(small)
    state = board.state
    while state.unsaved is not None:
        state = board.wait_beyond(version, timeout_s=30.0)
    assert (state.stage, state.trouble) == (Stage.DONE, "the job says so")
    assert settled == [(None, "Ana")]
    assert list(small.reader.entries())[-1].payload == finished
    kept.close()


def test_no_other_sample_is_taken_up_meanwhile(
    small: Ledger, disk: Disk, done: tuple[SampleFinished, dict[str, bytes]]
) -> None:
    kept = UnsavedSample(small, Board(), retry_s=NEVER_S)
    kept.demand_saved()
    disk.fill(small)
    with pytest.raises(SampleUnsaved):
        kept.save(done[0], "Ana", done[1])
    kept.demand_saved("another")
    for sample_id in (None, done[0].sample_id):
        with pytest.raises(SampleUnsaved, match="in memory only"):
            kept.demand_saved(sample_id)
    disk.free(small)
    kept.close()
    kept.demand_saved()
    assert list(small.reader.entries())[-1].payload == done[0]


def test_what_a_person_settled_meanwhile_stands(
    small: Ledger, disk: Disk, done: tuple[SampleFinished, dict[str, bytes]]
) -> None:
    board = Board()
    kept = UnsavedSample(small, board, retry_s=NEVER_S)
    disk.fill(small)
    with pytest.raises(SampleUnsaved):
        kept.save(done[0], "Ana", done[1])
    disk.free(small)
    void = Correction(corrects_id=done[0].sample_id, reason="thrown away", void_sample=True)
    small.append(void, person="Ana")
    assert kept.save_again()
    assert board.state.unsaved is None
    assert "already has the verdict 'void'" in (board.state.trouble or "")
    kept.close()


def test_a_locked_ledger_is_no_different(
    ledger_path: Path, begun: Callable[..., SampleBegun], finished: Callable[..., SampleFinished]
) -> None:
    with Ledger.open(ledger_path, busy_timeout_s=0.01) as ledger, Ledger.open(ledger_path) as other:
        sample = ledger.append(begun(), person="Ana")
        kept = UnsavedSample(ledger, Board(), retry_s=NEVER_S)
        with other.transaction(), pytest.raises(SampleUnsaved, match="locked by another program"):
            kept.save(finished(sample.id), "Ana", {})
        kept.close()
        assert ledger.reader.unfinished() == []


def test_a_contradiction_is_not_kept(
    ledger: Ledger, finished: Callable[..., SampleFinished]
) -> None:
    kept = UnsavedSample(ledger, Board())
    with pytest.raises(BadInput, match="never begun"):
        kept.save(finished("unknown"), "Ana", {})
    assert kept.unsaved_id is None
    kept.close()


def test_the_bench_keeps_its_sample_on_a_full_disk(disk: Disk) -> None:
    class FillsTheDisk(HandsAsOperator):
        def failure_mode(self, suggested: str | None) -> str:
            disk.fill(ledger)
            return super().failure_mode(suggested)

    with (
        Ledger.open(disk.path) as ledger,
        simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=True) as simulated,
    ):
        bench = simulated.bench
        with pytest.raises(SampleUnsaved, match="NOT SAVED"):
            bench.take_sample(ORDER, FillsTheDisk(simulated.hands, lambda _text: None))
        assert not bench.busy
        with pytest.raises(SampleUnsaved):
            bench.start(ORDER)
        (row,) = ledger.reader.unfinished()
        with pytest.raises(SampleUnsaved):
            bench.void_unfinished(row.sample_id, "Benno", "given up")
        disk.free(ledger)
        assert bench.unsaved.save_again()
        saved = ledger.reader.sample(row.sample_id)
        assert saved is not None
        assert saved.verdict == "pass"
        assert saved.trace_sha256 is not None
        assert ledger.reader.trace(saved.trace_sha256) is not None
        assert verify_ledger(ledger.path).first_bad is None
