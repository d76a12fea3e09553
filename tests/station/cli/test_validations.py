import json
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.jobs.validation.record import order_for, read_validation
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.station.jobs.invented_samples import normal_forces
from tests.station.jobs.recorded import check_instruments, people_and_tools, take

FORCES = normal_forces(30, 145.0, 8.0)
OHMS = normal_forces(30, 0.25e-3, 0.01e-3)
JOINT = "butt-splice-red; 18 AWG; red"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "bench.ledger"
    with Ledger.open(path) as ledger:
        people_and_tools(ledger)
        for name in ("Lea", "Ben", "Dag"):
            give_secret(ledger, name)
    return path


@pytest.fixture
def secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATION_PASSPHRASE", PASSPHRASE)


def began(path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    arguments = ["validate", "begin", "Egret", "--joint", JOINT, "--person", "Ben", "--simulate"]
    wanted = ["--limit-set", "tern-lane-shop", "--ledger", str(path), "--json", *more]
    assert run([*arguments, *wanted]) == 0
    return str(json.loads(capsys.readouterr().out)["job_id"])


def samples(path: Path, job_id: str, forces: list[float]) -> None:
    with Ledger.open(path, create=False) as ledger:
        check_instruments(ledger)
        for force, ohm in zip(forces, OHMS, strict=False):
            job = read_validation(ledger.reader, job_id)
            order = order_for(ledger, job, None, person="Ben", now=datetime.now(UTC))
            take(ledger, order, force, ohm)


def look(path: Path, job_id: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run(["job", "status", job_id[:14], "--ledger", str(path), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def gauges(path: Path, job_id: str) -> None:
    common = ["--person", "Ben", "--ledger", str(path)]
    assert run(["validate", "nest-gauge", job_id, "red", *common]) == 0
    heights = ["--height", "2.0", "--height", "2.02", "--height", "2.01"]
    bounds = ["--lower", "1.9", "--upper", "2.1"]
    command = ["validate", "crimp-height", job_id, "--joint", "1", *heights, *bounds]
    assert run([*command, *common]) == 0


@pytest.mark.usefixtures("secret")
def test_walked_from_begin_to_end(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    gauges(path, job_id)
    samples(path, job_id, FORCES)
    capsys.readouterr()
    assert [step["step"] for step in look(path, job_id, capsys)["next"]] == ["end"]
    end = ["validate", "end", job_id, "--person", "Lea", "--ledger", str(path), "--json"]
    with cheap_hashes():
        assert run(end) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["outcome"], found["signatures"]) == ("accepted", ["Lea"])
    joint = found["joints"][0]
    assert joint["joint"]["wires"] == ["18 AWG", "18 AWG"]
    # Montgomery & Runger, table XII: 3.064 for n = 30, 99 % with 95 % confidence [seen-1].
    assert joint["findings"][0]["k"] == pytest.approx(3.064, abs=0.001)
    with Ledger.open(path, create=False) as ledger:
        assert len(ledger.reader.baselines()) == 1


@pytest.mark.usefixtures("secret")
def test_each_next_step_names_its_command_and_page(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job_id = began(path, capsys)
    filled = {"NAME": "Ben", "LEAD": "Lea", "GAUGE": "G-7"}
    filled |= {"MM": "2.0", "LOW": "1.9", "HIGH": "2.1"}
    where = ["--ledger", str(path)]

    def commands() -> dict[str, list[str]]:
        """The commands that the status names, filled in."""
        steps = look(path, job_id, capsys)["next"]
        assert run(["validate", "status", job_id, *where]) == 0
        said = capsys.readouterr().out
        assert "On the page: Jobs, Validate a tool." in said
        assert all(f"    {step['command']}\n" in said for step in steps)
        words = {step["step"]: shlex.split(step["command"])[1:] for step in steps}
        return {step: [filled.get(word, word) for word in line] for step, line in words.items()}

    named = commands()
    assert set(named) == {"check", "nest_gauge", "crimp_height", "sample"}
    assert run(named["check"]) == 0
    for step in ("nest_gauge", "crimp_height"):
        assert run([*named[step], *where]) == 0
    assert named["sample"][:5] == ["validate", "sample", job_id, "--joint", "1"]
    samples(path, job_id, FORCES)
    capsys.readouterr()
    named = commands()
    assert set(named) == {"end"}
    with cheap_hashes():
        assert run([*named["end"], *where]) == 0
    paper = f"->  Its paper: station job report {job_id} --out validation.html"
    assert paper in capsys.readouterr().out


@pytest.mark.usefixtures("secret")
@pytest.mark.parametrize("name", ["Dag", "Ben"])
def test_nobody_but_a_lead_ends_it(
    name: str, path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job_id = began(path, capsys)
    with cheap_hashes():
        code = run(
            ["validate", "end", job_id, "--give-up", "--person", name, "--ledger", str(path)]
        )
    assert code == 2
    assert "a lead must do that" in capsys.readouterr().err
    assert look(path, job_id, capsys)["ended"] is False


@pytest.mark.usefixtures("secret")
def test_refused_tool_exits_1(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    samples(path, job_id, [60.0])
    with cheap_hashes():
        assert run(["validate", "end", job_id, "--person", "Lea", "--ledger", str(path)]) == 1
    assert "REFUSED" in capsys.readouterr().out


def test_words_for_people(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    samples(path, job_id, FORCES[10:16])
    assert run(["validate", "status", job_id, "--ledger", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "6 of 30 samples, chance of passing" in shown
    assert "->  Make and test sample 7 of 30" in shown


@pytest.mark.parametrize(
    "joint", ["butt-splice-red", "nothing; 18 AWG; red", "butt-splice-red; soup; red", ";;"]
)
def test_bad_joints_exit_2(joint: str, path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["validate", "begin", "Egret", "--joint", joint, "--person", "Ben"]
    assert run([*arguments, "--ledger", str(path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    with Ledger.open(path, create=False) as ledger:
        assert not list(ledger.entries("job_begun"))


def test_bad_gauge_exits_1(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    command = ["validate", "nest-gauge", job_id, "red", "--gauge", "G-7", "--go"]
    assert run([*command, "--person", "Ben", "--ledger", str(path)]) == 1
    assert "does NOT stop" in capsys.readouterr().out
