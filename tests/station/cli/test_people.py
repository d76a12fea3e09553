"""People by command line: the first lead by a code, signatures, the audit."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.cli.signing import FROM_ENVIRONMENT, NEW_FROM_ENVIRONMENT, signed_by
from station.errors import NotAllowed
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from station.shop.rights import Right
from tests.doors import PASSPHRASE, PIN, cheap_hashes, give_secret


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A ledger with a lead and an apprentice, neither of whom can sign yet."""
    monkeypatch.setenv("STATION_HOME", str(tmp_path))
    monkeypatch.delenv(FROM_ENVIRONMENT, raising=False)
    monkeypatch.delenv(NEW_FROM_ENVIRONMENT, raising=False)
    made = tmp_path / "station.ledger"
    with Ledger.open(made) as ledger:
        ledger.append(PersonAdded(name="Ann Example", role="lead"), person="Ann Example")
        ledger.append(PersonAdded(name="Cy Invented", role="apprentice"), person="Ann Example")
    with cheap_hashes():
        yield made


@pytest.fixture
def signed(path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same where both can sign, and the lead's passphrase is in the environment."""
    with Ledger.open(path) as ledger:
        give_secret(ledger, "Ann Example")
        give_secret(ledger, "Cy Invented", PIN)
    monkeypatch.setenv(FROM_ENVIRONMENT, PASSPHRASE)
    return path


def people(*words: str) -> int:
    return run(["people", *words])


def document(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    capsys.readouterr()
    assert people(*words, "--json") == 0
    return json.loads(capsys.readouterr().out)


def told(capsys: pytest.CaptureFixture[str]) -> list[tuple[str, str]]:
    return [(row["event"], row["about"]) for row in document(capsys, "audit")]


@pytest.mark.parametrize(
    "words",
    [
        ("add", "Bo Invented", "--role", "installer"),
        ("role", "Cy Invented", "lead"),
        ("leave", "Cy Invented"),
        ("passphrase", "Cy Invented"),
    ],
)
def test_on_a_fresh_bench_the_way_in_is_said(
    path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert people(*words, "--person", "Ann Example") == 2
    said = capsys.readouterr().err
    assert "station people code" in said
    assert said.count("\n") == 1


def test_the_code_on_the_console_makes_the_first_lead(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code = document(capsys, "code")["code"]
    monkeypatch.setenv(NEW_FROM_ENVIRONMENT, PASSPHRASE)
    assert people("first", "Ann Example", "--code", "1111-2222-3333") == 2
    row = document(capsys, "first", "Ann Example", "--code", code)
    assert (row["name"], row["role"], row["secret"]) == ("Ann Example", "lead", "passphrase")
    assert people("code") == 2
    assert "ask one" in capsys.readouterr().err
    assert people("first", "Cy Invented", "--code", code) == 2
    monkeypatch.setenv(FROM_ENVIRONMENT, PASSPHRASE)
    assert people("add", "Bo Invented", "--role", "installer", "--person", "Ann Example") == 0
    assert told(capsys) == [
        ("person_added", "Bo Invented"),
        ("signed_in", "Ann Example"),
        ("secret_set", "Ann Example"),
        ("sign_in_failed", "(one-time code)"),
        ("code_shown", "(one-time code)"),
        ("person_added", "Cy Invented"),
        ("person_added", "Ann Example"),
    ]


@pytest.mark.parametrize("person", ["Cy Invented", "Eve Unknown"])
@pytest.mark.parametrize(
    "words",
    [
        ("add", "Bo Invented", "--role", "lead"),
        ("role", "Cy Invented", "lead"),
        ("leave", "Ann Example"),
        ("passphrase", "Ann Example"),
    ],
)
def test_who_is_no_lead_changes_nothing(
    signed: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    person: str,
    words: tuple[str, ...],
) -> None:
    monkeypatch.setenv(FROM_ENVIRONMENT, PIN)
    before = document(capsys, "list", "--former")
    assert people(*words, "--person", person) == 2
    assert document(capsys, "list", "--former") == before
    if person == "Cy Invented":
        assert ("refused", "Cy Invented") in told(capsys)


def test_a_wrong_passphrase_changes_nothing_and_is_noted(
    signed: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(FROM_ENVIRONMENT, "not the passphrase")
    for _ in range(3):
        assert people("role", "Cy Invented", "lead", "--person", "Ann Example") == 2
        assert "do not belong together" in capsys.readouterr().err
    monkeypatch.setenv(FROM_ENVIRONMENT, PASSPHRASE)
    assert people("role", "Cy Invented", "lead", "--person", "Ann Example") == 2
    assert "Too many wrong tries" in capsys.readouterr().err
    assert told(capsys)[:2] == [("locked_out", "Ann Example"), ("sign_in_failed", "Ann Example")]


def test_who_has_no_secret_yet_is_told_the_way_to_one(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with Ledger.open(path, create=False) as ledger:
        give_secret(ledger, "Ann Example")
    monkeypatch.setenv(FROM_ENVIRONMENT, PASSPHRASE)
    way = "station people passphrase 'Cy Invented' --person"
    with Ledger.open(path, create=False) as ledger, pytest.raises(NotAllowed, match=way):
        signed_by(ledger, "Cy Invented", Right.MEASURE)
    assert people("passphrase", "Cy Invented", "--person", "Cy Invented") == 2
    assert "under People on the page" in capsys.readouterr().err
    # The command that was named is the one that helps.
    monkeypatch.setenv(NEW_FROM_ENVIRONMENT, "four words of mine")
    assert people("passphrase", "Cy Invented", "--person", "Ann Example") == 0
    monkeypatch.setenv(FROM_ENVIRONMENT, "four words of mine")
    with Ledger.open(path, create=False) as ledger:
        assert signed_by(ledger, "Cy Invented", Right.MEASURE).name == "Cy Invented"


def test_a_lead_changes_people(signed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lead = ("--person", "Ann Example")
    assert document(capsys, "role", "Cy Invented", "installer", *lead)["role"] == "installer"
    assert document(capsys, "leave", "Cy Invented", *lead)["active"] is False
    assert [row["name"] for row in document(capsys, "list")] == ["Ann Example"]
    assert people("list", "--former") == 0
    assert "installer, cannot sign, has left" in capsys.readouterr().out
    assert people("audit", "--about", "Cy Invented") == 0
    assert people("audit", "--limit", "9" * 25) == 2
    assert "apprentice to installer" in capsys.readouterr().out


def test_everyone_changes_their_own_secret(
    signed: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(FROM_ENVIRONMENT, PIN)
    monkeypatch.setenv(NEW_FROM_ENVIRONMENT, "eight brown otters")
    row = document(capsys, "passphrase", "Cy Invented", "--person", "Cy Invented")
    assert row["secret"] == "passphrase"
    assert people("passphrase", "Cy Invented", "--person", "Cy Invented") == 2
    monkeypatch.setenv(FROM_ENVIRONMENT, "eight brown otters")
    assert people("passphrase", "Cy Invented", "--person", "Cy Invented") == 0


def test_a_command_signs_by_the_same_call(signed: Path) -> None:
    with Ledger.open(signed) as ledger:
        assert signed_by(ledger, "Ann Example", Right.CORRECT).name == "Ann Example"
        with pytest.raises(NotAllowed, match="apprentice and may not correct"):
            signed_by(ledger, "Cy Invented", Right.CORRECT)


@pytest.mark.parametrize("name", ["list", "code", "first", "add", "role", "leave", "passphrase",
                                  "audit"])  # fmt: skip
def test_help_has_an_example(capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert people(name, "--help") == 0
    assert "Example: station people" in capsys.readouterr().out
