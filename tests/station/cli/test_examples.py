"""Every example of every command's --help runs, on an invented shop and invented files."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import click
import numpy as np
import pytest

from station.cli.main import run, station
from station.cli.signing import FROM_ENVIRONMENT, NEW_FROM_ENVIRONMENT
from station.ledger.entries import PersonAdded
from station.ledger.jobs import jobs
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.share.prepare import prepare
from station.share.push import push
from station.simulation.launch import SimulatedInstrument
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.pace import unpaced
from tests.postgres import Postgres
from tests.station.cli.test_imported_tables import MAP
from tests.station.ledger.test_elsewhere import TABLE

LEAD = "Ottilie"
PORT = "/dev/ttyUSB0"
JOB = "0198c2b4"
SAMPLE = "0190a1b2-3c4d-7e5f-8a9b-0c1d2e3f4a5b"
CODE = "1234-5678-9012"
STICK = "/media/stick"

ENDED_BY_ITSELF = {
    "instruments watch": ["--count", "3"],
    "instruments learn": ["--seconds", "0.5", "--yes"],
    "job sample": ["--simulate"],
}
"""What is added so that a command ends without a person and without real instruments."""


def every_command(
    command: click.Command = station, path: tuple[str, ...] = ()
) -> Iterator[tuple[str, ...]]:
    """The path of every command, groups among them."""
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            assert found is not None
            yield from every_command(found, (*path, name))


COMMANDS = [" ".join(path) for path in every_command()]


@pytest.fixture
def here(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a copy of the shop's ledger and every file that examples name."""
    (tmp_path / "stick").mkdir()
    for name in ("demo.ledger", "bench.ledger", "stick/bench-1.backup"):
        shutil.copy(filled, tmp_path / name)
    write_files(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STATION_HOME", str(tmp_path))
    monkeypatch.setenv(FROM_ENVIRONMENT, PASSPHRASE)
    monkeypatch.setenv(NEW_FROM_ENVIRONMENT, PASSPHRASE)
    return tmp_path


def write_files(folder: Path) -> None:
    """The files of the examples: all numbers are invented."""
    drawn = np.random.default_rng(1)
    force = drawn.normal(120.0, 4.0, 60)
    pulls = [
        f"{value:.3f},{'tool A' if n % 2 else 'tool B'},{n % 5},{n // 5}"
        for n, value in enumerate(force)
    ]
    clips = [
        f"{part},{person},{trial},{0.3 + 0.02 * part + drawn.normal(0.0, 0.002):.5f}"
        for part in range(5) for person in ("Ann", "Bo") for trial in range(2)
    ]  # fmt: skip
    time_s = np.arange(0.0, 3.0, 0.01)
    pull = [f"{at:.2f},{min(40.0 * at, 110.0) if at < 2.75 else 0.2:.3f}" for at in time_s]
    tables = {
        "pulls.csv": ["value,group,part,batch", *pulls],
        "clips.csv": ["part,appraiser,trial,value", *clips],
        "splices.csv": ["value", *(f"{value:.4f}" for value in drawn.normal(0.25, 0.01, 30))],
        "weights.csv": ["reference,reading", *(f"{x},{x * 1.002:.3f}" for x in range(0, 60, 10))],
        "pull.csv": ["time_s,force_n", *pull],
        "bench.toml": ["port = 0"],
    }
    for name, lines in tables.items():
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "other-shop.csv").write_text(TABLE, encoding="utf-8-sig")
    (folder / "other-shop.toml").write_text(MAP, encoding="utf-8")


def help_of(command: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert run([*command.split(), "--help"]) == 0
    return capsys.readouterr().out


def example_in(told: str) -> list[str]:
    """The words of the example, after "station"."""
    found = re.search(r"Example: (station .*)", told, re.DOTALL)
    assert found is not None, "its --help shows no example"
    return shlex.split(" ".join(found[1].replace("\\\n", " ").split()))[1:]


def shared(folder: Path, server: Postgres, *, filled: bool) -> dict[str, str]:
    """Give the bench of the examples a shared record; an administrator's word stands for its."""
    where = server.where(server.database())
    if filled:
        prepare(where, ["bench-1"], (), None)
        push(folder / "demo.ledger", where)
    with (folder / "bench.toml").open("a", encoding="utf-8") as settings:
        settings.write(f'[share]\ndatabase = "{where.database}"\n')
    return {"postgresql:///crimps": where.database}


def prepared(
    command: str,
    folder: Path,
    stack: ExitStack,
    capsys: pytest.CaptureFixture[str],
) -> dict[str, str]:
    """Make what an example takes for granted; return what stands in place of its words."""
    path = folder / "demo.ledger"
    if command in ("job sample", "job report"):
        assert run(["job", "start", "daily_check", "--nest", "Wren/blue", "--person", "Benno"]) == 0
        with LedgerReader.open(path) as reader:
            return {JOB: jobs(reader, only_open=True)[0].job_id}
    if command in ("ledger correct", "ledger import"):
        with Ledger.open(path, create=False) as ledger:
            give_secret(ledger, LEAD)
    if command == "ledger verify":
        with LedgerReader.open(path) as reader:
            return {"574:0a1b 2c3d 4e5f 6071": reader.head().short}
    if command == "ledger backup":
        (folder / "stick" / "bench-1.backup").unlink()
    if command == "ledger correct":
        with LedgerReader.open(path) as reader:
            passed = next(row for row in reader.samples(limit=50) if row.verdict == "pass")
        return {SAMPLE: passed.sample_id}
    if command in ("instruments identify", "instruments watch", "instruments learn"):
        tester = SimulatedInstrument("pull_tester", profile="tester-stream-newton", paced=False)
        return {PORT: stack.enter_context(tester).port}
    if command == "people first":
        capsys.readouterr()
        assert run(["people", "code"]) == 0
        return {CODE: capsys.readouterr().out.strip()}
    if command in ("people add", "people role", "people leave", "people passphrase", "tool add"):
        with Ledger.open(path, create=False) as ledger:
            ledger.append(PersonAdded(name="Ann Example", role="lead"), person="Ann Example")
            if command != "people add":
                ledger.append(PersonAdded(name="Bo Invented", role="apprentice"), person=LEAD)
            give_secret(ledger, "Ann Example")
    return {STICK: "stick"}


@pytest.mark.parametrize("command", [command for command in COMMANDS if command != "serve"])
def test_its_example_runs(
    command: str, here: Path, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    told = help_of(command, capsys)
    words = example_in(told)
    with ExitStack() as stack, cheap_hashes(), unpaced():
        if command.startswith("share"):
            server = request.getfixturevalue("postgres")
            places = shared(here, server, filled=command != "share prepare")
        else:
            places = prepared(command, here, stack, capsys)
        for old, new in places.items():
            words = [word.replace(old, new) for word in words]
        capsys.readouterr()
        ended = run([*words, *ENDED_BY_ITSELF.get(command, ())])
    verdict_may_fail = re.search(r"exit(\s+code)?\s+1", told, re.IGNORECASE)
    assert ended in ((0, 1) if verdict_may_fail else (0,)), capsys.readouterr().err


def test_the_example_of_serve_serves_until_it_is_stopped(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = example_in(help_of("serve", capsys))
    served = subprocess.Popen(
        [sys.executable, "-m", "station", *words],
        stderr=subprocess.PIPE, text=True, env=dict(os.environ),
    )  # fmt: skip
    assert served.stderr is not None
    assert any("The page is on http://" in line for line in served.stderr)
    served.terminate()
    served.communicate()
    assert served.returncode == 0
