"""The demo as a person starts it: a process of its own, simulators and serial lines included."""

import json
import os
import select
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from station.cli.main import run
from station.crimp.in_force import LimitsInForce
from station.jobs.daily.record import check_of
from station.ledger.entries import NEST_OUTCOME, NestHeld
from station.ledger.jobs import job_record, jobs, nest_checks
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.simulation import workshop
from station.simulation.history import ROUND
from tests.pace import unpaced

FAST = ("--days", "5")
PATIENCE_S = 120.0


@pytest.fixture
def copy(filled: Path, tmp_path: Path) -> Path:
    """A copy of the filled ledger, to be treated badly."""
    target = tmp_path / "demo.ledger"
    with sqlite3.connect(filled) as source, sqlite3.connect(target) as copied:
        source.backup(copied)
    source.close()
    copied.close()
    return target


class Running:
    """A demo under way, read line by line."""

    def __init__(self, *arguments: str, ledger: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "station", "demo", "--ledger", str(ledger), *arguments],
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        assert self.process.stderr is not None
        self.said = b""

    def until(self, words: str) -> None:
        assert self.process.stderr is not None
        while words.encode() not in self.said:
            ready, _, _ = select.select([self.process.stderr], [], [], PATIENCE_S)
            assert ready, f"{words!r} was never said: {self.said.decode()}"
            chunk = os.read(self.process.stderr.fileno(), 4096)
            assert chunk, f"the demo ended before it said {words!r}: {self.said.decode()}"
            self.said += chunk

    def simulator(self, name: str) -> int:
        """Process number of one of the demo's simulators."""
        module = f"station.simulation.{name}".encode()
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                line = (folder / "cmdline").read_bytes()
                parent = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except OSError:
                continue
            if module in line and parent == self.process.pid:
                return int(folder.name)
        raise AssertionError(f"no simulator {name}")

    def end(self) -> tuple[int, str]:
        _, rest = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, (self.said + rest).decode()


@pytest.fixture
def running(copy: Path) -> Iterator[Running]:
    started = Running("--headless", ledger=copy)
    yield started
    if started.process.poll() is None:
        started.process.kill()
    started.process.communicate()


def test_every_record_of_the_demo_is_marked(filled: Path) -> None:
    with LedgerReader.open(filled) as reader:
        assert reader.is_demo()
        assert all(entry.payload.demo for entry in reader.entries())


def test_the_invented_shop_checked_its_nests_until_the_day_before(filled: Path) -> None:
    """All but the nest that wears, which nobody checked any more."""
    with LedgerReader.open(filled) as reader:
        rounds = jobs(reader, job="daily_check")
        finished = [row for row in reader.samples(limit=1000) if row.job == "daily_check"]
        last_day = max(row.at_utc.date() for row in finished if row.job_id is not None)
        places = [(tool.tool, nest) for tool in reader.tools() for nest in tool.nests]
        last = {place: nest_checks(reader, *place)[-1] for place in places}
        good = {row.job_id for row in finished if row.job_id is not None}
    assert {row.outcome for row in rounds} == {"released"}
    assert good == {row.job_id for row in rounds}
    assert {row.outcome for row in last.values()} == {"released"}
    unchecked = [place for place, row in last.items() if row.at_utc.date() < last_day]
    assert unchecked == [workshop.WORN]


def test_a_round_comes_to_what_a_daily_check_finds_in_its_samples(copy: Path) -> None:
    with Ledger.open(copy) as ledger:
        last = max(row.job_id for row in jobs(ledger.reader, job="daily_check"))
        record = job_record(ledger.reader, last)
        judged = check_of(ledger.reader, replace(record, steps=())).progress
    written = [taken.step.content for taken in record.steps_named(NEST_OUTCOME)]
    judged_by_nest = {item.nest.key: item for item in judged}
    assert len(written) == len(judged) == 8
    for content in written:
        item = judged_by_nest[str(content["tool"]), str(content["nest"])]
        counted = [sample.sample_id for sample in item.counted]
        assert item.finding.outcome == content["outcome"]
        # The demo's live sample of today comes after them.
        assert counted[: ROUND.first_stage] == content["samples"]


def test_a_second_run_keeps_the_first_ledger(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with LedgerReader.open(copy) as reader:
        first = [entry.hash for entry in reader.entries()]
    with unpaced():
        assert run(["demo", "--headless", *FAST, "--ledger", str(copy)]) == 0
    assert "Keeping the ledger" in capsys.readouterr().err
    with LedgerReader.open(copy) as reader:
        second = [entry.hash for entry in reader.entries()]
    assert second[: len(first)] == first
    # One more sample: begun, its pull begun, finished.
    assert len(second) == len(first) + 3
    assert verify_ledger(copy).first_bad is None


@pytest.mark.parametrize(
    ("name", "moment", "called"),
    [
        ("meter", "Reading the resistance", "milliohm meter"),
        ("pull_tester", "Pulling;", "pull tester"),
    ],
)
def test_a_simulator_killed_in_mid_sample_is_named_and_the_sample_void(
    running: Running, copy: Path, name: str, moment: str, called: str
) -> None:
    running.until(moment)
    os.kill(running.simulator(name), signal.SIGKILL)
    code, said = running.end()
    assert code == 2
    assert called in said
    assert "logged as void" in said
    with LedgerReader.open(copy) as reader:
        newest = reader.samples(limit=1)[0]
    assert newest.verdict == "void"
    assert called in (newest.void_reason or "")


def test_a_killed_station_loses_nothing_and_voids_the_rest_at_the_next_start(
    running: Running, copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with LedgerReader.open(copy) as reader:
        before = reader.counts()
    running.until("Pulling;")
    running.process.kill()
    running.end()
    assert verify_ledger(copy).first_bad is None
    with LedgerReader.open(copy) as reader:
        unfinished = reader.unfinished()
        assert reader.counts().samples == before.samples + 1
    assert len(unfinished) == 1
    with unpaced():
        assert run(["demo", "--headless", "--ledger", str(copy)]) == 0
    assert f"{unfinished[0].sample_id} was interrupted" in capsys.readouterr().err
    with LedgerReader.open(copy) as reader:
        row = reader.sample(unfinished[0].sample_id)
    assert row is not None
    assert row.verdict == "void"


def test_a_demo_whose_nests_are_all_held_serves_the_page_where_they_are_released(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Ledger.open(copy) as ledger, ledger.transaction():
        for joint in workshop.joints():
            held = NestHeld(tool=joint.tool, nest=joint.nest, reason="tried", demo=True)
            ledger.append(held, person="Ottilie")
    assert run(["demo", "--headless", "--ledger", str(copy)]) == 2
    assert "is held since" in capsys.readouterr().err
    serving = Running("--port", "0", ledger=copy)
    try:
        serving.until("No live sample is made now. Nest")
        serving.until("Ctrl-C ends it")
        serving.process.send_signal(signal.SIGTERM)
        assert serving.end()[0] == 0
    finally:
        serving.process.kill()
        serving.process.communicate()


def test_a_taken_address_is_one_sentence(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert run(["demo", "--ledger", str(copy), "--port", port]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert port in said
    assert "--port" in said


def test_real_records_are_never_mixed_with_invented_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from station.ledger.entries import PersonAdded
    from station.ledger.store import Ledger

    path = tmp_path / "real.ledger"
    with Ledger.open(path) as ledger:
        ledger.append(PersonAdded(name="Someone", role="lead"), person="Someone")
    assert run(["demo", "--headless", "--ledger", str(path)]) == 2
    assert "real records" in capsys.readouterr().err


def test_a_sample_by_command_is_judged_by_the_limits_of_the_demo(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ("--ledger", str(copy))
    asked = ("job", "start", "daily_check", "--nest", "Heron/blue", "--person", "Benno", "--json")
    assert run([*asked, *where]) == 0
    job_id = json.loads(capsys.readouterr().out)["job_id"]
    with unpaced():
        assert run(["job", "sample", job_id, "--person", "Benno", "--simulate", *where]) in (0, 1)
    assert "ul-486a-1991: " in capsys.readouterr().out
    with LedgerReader.open(copy) as reader:
        made = reader.samples(limit=1)[0]
        finished = reader.finished_payload(made.sample_id)
    assert made.job_id == job_id
    assert finished is not None
    # By the limits in force: that no set of one's own is named is on record too.
    assert finished.limit_set is None
    in_force = {*LimitsInForce().awg_and_sae.pull, *LimitsInForce().awg_and_sae.resistance}
    assert {item.set_id for item in finished.criteria} <= in_force
    assert {item.criterion for item in finished.criteria} == {"pull_force_min", "resistance_max"}


def test_a_file_that_is_no_ledger_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a ledger\n" * 100)
    assert run(["demo", "--headless", "--ledger", str(path)]) == 2
    assert "notes.txt" in capsys.readouterr().err
    assert path.read_text() == "not a ledger\n" * 100


def test_a_locked_ledger_is_one_sentence(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    holder = sqlite3.connect(copy, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        assert run(["demo", "--headless", "--ledger", str(copy)]) == 2
    finally:
        holder.close()
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert "demo.ledger" in said
    assert "another program" in said


def test_verify_by_command_line(
    copy: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(["ledger", "verify", "--ledger", str(copy), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["first_bad"] is None
    monkeypatch.setenv("STATION_HOME", str(copy.parent))
    assert run(["ledger", "verify"]) == 0
    assert "all sound" in capsys.readouterr().out
    monkeypatch.setenv("STATION_HOME", str(copy.parent / "nowhere"))
    assert run(["ledger", "verify"]) == 2
