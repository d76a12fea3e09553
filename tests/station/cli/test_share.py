"""The shared record from the command line, and beside a station that serves."""

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.settings import read_settings
from station.share.prepare import prepare
from station.share.push import push, standing
from tests.postgres import Postgres
from tests.station.cli.test_serve import Served
from tests.station.instruments.fakes import wait_until


@pytest.fixture
def bench(filled: Path, postgres: Postgres, tmp_path: Path) -> Path:
    """A folder with a bench's ledger and settings, and a shared record with nothing in it."""
    shutil.copy(filled, tmp_path / "station.ledger")
    where = postgres.where(postgres.database())
    prepare(where, ["bench-1"], (), None)
    (tmp_path / "bench.toml").write_text(f'[share]\ndatabase = "{where.database}"\n')
    return tmp_path


def told(
    capsys: pytest.CaptureFixture[str], folder: Path, *words: str, ended: int = 0
) -> dict[str, Any]:
    ledger = words[1:] or (str(folder / "station.ledger"),)
    settings = str(folder / "bench.toml")
    capsys.readouterr()
    assert run(["share", words[0], "--settings", settings, "--ledger", *ledger, "--json"]) == ended
    document = json.loads(capsys.readouterr().out)
    assert isinstance(document, dict)
    return document


def test_push_status_and_restore_print_one_document_each(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head = str(verify_ledger(bench / "station.ledger").head)
    entries = int(head.split(":")[0])
    before = told(capsys, bench, "status")
    assert before["behind"] == entries
    assert before["received"] is None
    assert told(capsys, bench, "push") == {"ledger": f"{bench}/station.ledger", "sent": entries}
    assert told(capsys, bench, "push")["sent"] == 0
    after = told(capsys, bench, "status")
    assert (after["bench"], after["behind"], after["differs_at"]) == ("bench-1", 0, None)
    assert after["head_here"] == after["head_there"] == head
    restored = told(capsys, bench, "restore", str(bench / "new.ledger"))
    assert restored["head"] == head
    assert restored["traces"] > 0


def test_prepare_prints_who_was_added_and_no_password(
    postgres: Postgres, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = postgres.where(postgres.database()).database
    words = ["share", "prepare", "--database", url, "--bench", "b 8", "--reader", "cy"]
    assert run([*words, "--passfiles", str(tmp_path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [(one["name"], one["role"]) for one in document["added"]] == [
        ("b 8", "bench_b 8"), ("cy", "cy")
    ]  # fmt: skip
    secrets = [Path(one["passfile"]).read_text().strip()[-32:] for one in document["added"]]
    assert not any(secret in json.dumps(document) for secret in secrets)


def test_another_history_ends_the_status_with_1_and_the_push_with_2(
    bench: Path, ledger_of_another: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told(capsys, bench, "push")
    assert told(capsys, bench, "status", str(ledger_of_another), ended=1)["differs_at"] == 1
    words = ["--settings", str(bench / "bench.toml"), "--ledger", str(ledger_of_another)]
    assert run(["share", "status", *words]) == 1
    assert "NOT THE SAME from entry 1 on" in capsys.readouterr().out
    assert run(["share", "push", *words]) == 2
    assert "Entry 1 of bench-1 is not the one" in capsys.readouterr().err


@pytest.fixture
def ledger_of_another(tmp_path: Path) -> Path:
    """Of a second bench that was given the name of the first."""
    path = tmp_path / "another.ledger"
    with Ledger.open(path) as ledger:
        ledger.append(PersonAdded(name="Ann Example", role="lead"), person="Ann Example")
    return path


@pytest.mark.parametrize("command", ["push", "status", "restore", "prepare"])
def test_without_the_extra_one_plain_sentence_says_what_to_install(
    command: str, bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "psycopg"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "psycopg", None)
    monkeypatch.chdir(bench)
    settings = ["--settings", "bench.toml"] if command != "prepare" else []
    ledger = ["--ledger", "new.ledger" if command == "restore" else "station.ledger"]
    assert run(["share", command, *settings, *(ledger if settings else [])]) == 2
    said = capsys.readouterr().err.strip()
    assert said == (
        "The shared record needs PostgreSQL's driver: pip install 'crimp-station[share]'."
    )


def test_it_goes_beside_a_station_that_serves(bench: Path) -> None:
    settings = (bench / "bench.toml").read_text()
    station = Served(bench, settings, "--simulate")
    try:
        assert "Today" in station.get("/")
        where = read_settings(bench / "bench.toml").share
        assert where is not None
        ledger = bench / "station.ledger"
        wait_until(lambda: standing(ledger, where).behind == 0, within_s=120.0)
        assert station.end() == 0
        push(ledger, where)
        assert standing(ledger, where).differs_at is None
    finally:
        station.close()


def test_a_station_without_a_shared_record_loads_nothing_of_it() -> None:
    program = "import sys, station.cli.serve, station.cli.doctor; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not [name for name in loaded if name.startswith(("psycopg", "station.share"))]
