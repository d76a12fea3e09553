"""Sharing beside a station: benches measure while it goes on, and nothing waits for it."""

import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from station.jobs.sample_order import SampleOrder
from station.ledger.store import Ledger
from station.settings import Settings, ShareSettings
from station.share.beside import CAUGHT_UP, Sharing
from station.share.push import push
from station.simulation import workshop
from station.simulation.demo import HandsAsOperator, demo_limit_sets, simulated_bench
from tests.pace import unpaced
from tests.station.instruments.fakes import wait_until
from tests.station.share.conftest import Record, sharing_ended
from tests.station.share.lines import SOCKET, Line

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

BENCHES = ("bench-1", "bench-2", "bench-3")
JOINT = workshop.joint("Heron", "red", "18 AWG")
ORDER = SampleOrder("Benno", "daily_check", JOINT, checklist=workshop.good_looks(JOINT))


class Told:
    """What was said, and when something has been."""

    def __init__(self) -> None:
        self.words: list[str] = []
        self.said = threading.Event()

    def __call__(self, text: str) -> None:
        self.words.append(text)
        self.said.set()


@contextmanager
def measuring(
    bench: str, folder: Path, where: ShareSettings, told: Told
) -> Iterator[Callable[[], None]]:
    """A bench with simulated instruments that shares while it measures; gives: one sample."""
    path = folder / f"{bench}.ledger"
    settings = Settings(bench=bench)
    with (
        Ledger.open(path, bench=bench) as ledger,
        simulated_bench(ledger, demo_limit_sets(), settings, seed=5, demo=True) as simulated,
        sharing_ended(Sharing(path, where, told, every_s=0.2)),
    ):

        def sample() -> None:
            hands = HandsAsOperator(simulated.hands, lambda _text: None)
            assert simulated.bench.take_sample(ORDER, hands).finished.verdict == "pass"

        yield sample


def entries_of(record: Record) -> dict[str, int]:
    return dict(map(tuple, record.rows("SELECT bench, entries::int FROM shared.benches")))


def test_three_benches_measure_and_share_whatever_breaks(
    record: Record, line: Line, tmp_path: Path
) -> None:
    record.add(*BENCHES)
    told = Told()
    with unpaced(), ExitStack() as stack:
        samples = [
            stack.enter_context(measuring(bench, tmp_path, record.where(bench, line.folder), told))
            for bench in BENCHES
        ]
        for sample in samples:
            sample()
        # Nothing was asked for: they share by themselves.
        wait_until(lambda: min(entries_of(record).values()) > 0, within_s=120.0)
        line.cut_after(20_000)
        for sample in samples:
            sample()
        line.cut_after(None)
        record.server.stop()
        for sample in samples:
            sample()
        assert told.said.wait(120.0)
        record.server.start()
        for sample in samples:
            sample()
    for bench in BENCHES:
        push(tmp_path / f"{bench}.ledger", record.where(bench))
        record.demand_whole(tmp_path / f"{bench}.ledger", tmp_path / f"{bench}.again")
    assert "cannot be reached" in told.words[0]


def test_trouble_is_told_once_and_that_it_is_over(
    record: Record, ledger_file: Path, line: Line
) -> None:
    told = Told()
    line.cut_after(0)
    sharing = Sharing(ledger_file, record.where(through=line.folder), told, every_s=0.01)
    with sharing_ended(sharing):
        assert told.said.wait(60.0)
        line.cut_after(None)
        wait_until(lambda: CAUGHT_UP in told.words, within_s=60.0)
    assert told.words == [told.words[0], CAUGHT_UP]
    assert entries_of(record)["bench-1"] > 0


def test_a_server_that_never_answers_holds_nobody_up(ledger_file: Path) -> None:
    with tempfile.TemporaryDirectory() as folder, socket.socket(socket.AF_UNIX) as mute:
        mute.bind(f"{folder}/{SOCKET}")
        mute.listen()
        where = ShareSettings(database=f"postgresql://bench@/shared?host={folder}")
        with Sharing(ledger_file, where, Told()):
            asked, _ = mute.accept()
        # Left without an answer: what is left behind ends when the silence does, or the process.
        assert any(thread.name == "share" and thread.daemon for thread in threading.enumerate())
        asked.close()
    wait_until(lambda: all(thread.name != "share" for thread in threading.enumerate()))


def test_whatever_goes_wrong_it_goes_on(
    record: Record, ledger_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fails = [RuntimeError("odd"), RuntimeError("odd")]

    def odd(path: Path, where: ShareSettings) -> int:
        if fails:
            raise fails.pop()
        return push(path, where)

    monkeypatch.setattr("station.share.beside.push", odd)
    told = Told()
    with sharing_ended(Sharing(ledger_file, record.where(), told, every_s=0.01)):
        wait_until(lambda: CAUGHT_UP in told.words, within_s=60.0)
    assert told.words == ["odd", CAUGHT_UP]
