import json
import random
import shlex
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.jobs.certification.blind import order_for, pool
from station.ledger.entries import NestHeld
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.station.jobs.recorded import people_and_tools, take

PLAN = """
id = "short"
job = "certification"
title = "Short invented certification"
standing = "shop"
reasoning = ["short, for a test"]
samples_per_task = 15
spares_per_task = 1
controls_per_task = 1
share = 0.90
confidence = 0.90
minor_faults_allowed = 1
spread_ratio_max = 1.5
resit_tasks = 1
resit_after_days = 0
new_attempt_after_days = 14
valid_months = 12
remind_days = 30
tasks = [
  {id = "splice", title = "Splice", connector = "butt-splice-red", band = "red", wires = [
    "18 AWG", "18 AWG"]},
  {id = "ring", title = "Ring", connector = "ring-blue", wires = ["16 AWG"], band = "blue"},
]
"""


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATION_PASSPHRASE", PASSPHRASE)
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "short.toml").write_text(PLAN, encoding="utf-8")
    settings = f'plans_folder = "{tmp_path / "plans"}"\nlimit_set = "tern-lane-shop"\n'
    (tmp_path / "bench.toml").write_text(settings, encoding="utf-8")
    path = tmp_path / "bench.ledger"
    with Ledger.open(path) as ledger:
        people_and_tools(ledger)
        for name in ("Lea", "Ida", "Ben", "Dag"):
            give_secret(ledger, name)
    return path


def certify(path: Path, *arguments: str) -> int:
    with cheap_hashes():
        return run(["certify", *arguments, "--ledger", str(path)])


def began(path: Path, capsys: pytest.CaptureFixture[str], candidate: str = "Dag") -> str:
    by = "Ida" if candidate == "Lea" else "Lea"
    settings = str(path.with_name("bench.toml"))
    options = ("--plan", "short", "--settings", settings, "--simulate", "--json")
    code = certify(path, "begin", candidate, "--tool", "Egret", "--person", by, *options)
    assert code == 0
    return str(json.loads(capsys.readouterr().out)["job_id"])


def document(path: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    assert certify(path, *arguments, "--json") == 0
    return json.loads(capsys.readouterr().out)


def measure(path: Path, code: str, force_n: float) -> None:
    with Ledger.open(path, create=False) as ledger:
        take(ledger, order_for(ledger.reader, code, person="Ida"), force_n)


def test_walked_from_begin_to_certificate(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    shown = document(path, capsys, "key", job_id, "--person", "Ben")
    assert len(shown) == 34
    codes = [one["code"] for one in document(path, capsys, "codes")]
    assert codes == sorted(codes)
    for code in codes:
        assert certify(path, "judge", code, "--person", "Lea") == 0
        measure(path, code, 140.0 + random.Random(code).gauss(0.0, 4.0))
    capsys.readouterr()
    assert certify(path, "sign", job_id, "--person", "Lea") == 0
    assert certify(path, "acknowledge", job_id, "--person", "Dag") == 0
    capsys.readouterr()
    ended = document(path, capsys, "end", job_id, "--person", "Lea")
    assert ended["outcome"] == "certified"
    assert ended["figures"]["n"] == 30
    record_hash = ended["record_hash"]
    found = document(path, capsys, "lookup", record_hash[:12])
    assert found["person"] == "Dag"
    assert found["state"] == "valid"
    assert certify(path, "lookup", "0" * 12) == 2
    assert f"on this record, {path.name}" in capsys.readouterr().err
    assert certify(path, "status", "none") == 2
    assert f"not on record in {path.name}" in capsys.readouterr().err


def test_each_next_step_names_its_command_and_page(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job_id = began(path, capsys)
    where = ("--ledger", str(path))

    def named() -> list[str]:
        """The commands that the status names, with names put in."""
        (step,) = document(path, capsys, "status", job_id)["next"]
        assert run(["certify", "status", job_id, *where]) == 0
        text = capsys.readouterr().out
        assert "On the page: Jobs, Certifications." in text
        assert all(f"    {command}\n" in text for command in step["commands"])
        names = {"LEAD": "Lea", "NAME": "Ben"}
        (command,) = (shlex.split(line) for line in step["commands"])
        assert command.pop(0) == "station"
        return [names.get(word, word) for word in command]

    with cheap_hashes():
        assert run([*named(), *where]) == 0
        capsys.readouterr()
        commands = document(path, capsys, "status", job_id)["next"][0]["commands"]
        assert [line.split()[2] for line in commands] == ["codes", "judge", "sample"]
        for one in document(path, capsys, "codes"):
            assert certify(path, "judge", one["code"], "--person", "Lea") == 0
            measure(path, one["code"], 140.0 + random.Random(one["code"]).gauss(0.0, 4.0))
        capsys.readouterr()
        for word in ("sign", "acknowledge", "end"):
            following = named()
            assert following[1] == word
            assert run([*following, *where]) == 0
            said = capsys.readouterr().out
    assert f"->  Its paper: station job report {job_id} --out certificate.html" in said
    assert document(path, capsys, "status", job_id)["next"] == []


def test_status_tells_nothing_while_it_is_judged(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, other = began(path, capsys, "Lea"), began(path, capsys, "Dag")
    for job_id in (mine, other):
        document(path, capsys, "key", job_id, "--person", "Ben")
    with Ledger.open(path, create=False) as ledger:
        waiting = pool(ledger.reader)
        own = {code for code, job in waiting.jobs.items() if job.job_id == mine}
    for code in sorted(waiting.jobs)[:8]:
        assert certify(path, "judge", code, "--person", "Ida") == 0
        measure(path, code, 60.0)
        capsys.readouterr()
        said = [document(path, capsys, "status", job_id) for job_id in (mine, other)]
        for job_id, one in zip((mine, other), said, strict=True):
            for word in ("status", "next"):
                assert run(["job", word, job_id, "--ledger", str(path), "--json"]) == 0
                assert json.loads(capsys.readouterr().out) == one
        for one, candidate in zip(said, ("Lea", "Dag"), strict=True):
            assert one["candidate"] == candidate
            assert one["figures"] is None
            assert one["reasons"] == []
            assert not any(code in json.dumps(one) for code in own)
        assert said[0]["next"] == said[1]["next"]
    listed = json.dumps(document(path, capsys, "codes"))
    assert not any(word in listed for word in ("Dag", "Lea", mine, other, "candidate", "control"))


def refused(path: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert certify(path, *arguments) == 2
    return capsys.readouterr().err


def test_who_may_not(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begin = ("begin", "Lea", "--tool", "Egret", "--person", "Lea")
    assert "for themselves" in refused(path, capsys, *begin)
    job_id = began(path, capsys, "Lea")
    for name in ("Lea", "Dag", "Ben"):
        assert refused(path, capsys, "sign", job_id, "--person", name)
    assert "may not see which code" in refused(path, capsys, "key", job_id, "--person", "Lea")
    document(path, capsys, "key", job_id, "--person", "Ida")
    code = document(path, capsys, "codes")[0]["code"]
    assert "candidate" in refused(path, capsys, "judge", code, "--person", "Lea")
    assert "has seen" in refused(path, capsys, "judge", code, "--person", "Ida")
    assert "a lead must" in refused(path, capsys, "judge", code, "--person", "Dag")
    assert "Only Lea" in refused(path, capsys, "acknowledge", job_id, "--person", "Ida")
    simulated = ("sample", code, "--simulate", "--person", "Lea")
    assert "may not judge or measure" in refused(path, capsys, *simulated)


def test_given_up_counts_as_an_attempt(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    assert certify(path, "end", job_id, "--give-up", "ill", "--person", "Lea") == 1
    assert "GIVEN UP" in capsys.readouterr().out
    settings = str(path.with_name("bench.toml"))
    again = ("begin", "Dag", "--tool", "Egret", "--person", "Lea", "--settings", settings)
    assert "practise" in refused(path, capsys, *again, "--plan", "short", "--simulate")


def test_a_held_nest_is_refused(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Ledger.open(path, create=False) as ledger:
        held = NestHeld(tool="Egret", nest="blue", reason="cracked")
        ledger.append(held, person="Ben")
    settings = str(path.with_name("bench.toml"))
    begin = ("begin", "Dag", "--tool", "Egret", "--person", "Lea", "--settings", settings)
    assert "is held since" in refused(path, capsys, *begin, "--plan", "short", "--simulate")
