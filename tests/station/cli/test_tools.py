"""Tools by command line."""

import json
from pathlib import Path

import pytest

from station.cli.main import run
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A ledger with one person and no tool."""
    made = tmp_path / "station.ledger"
    with Ledger.open(made) as ledger:
        ledger.append(PersonAdded(name="Bo Invented", role="installer"), person="Bo Invented")
    return made


def tool(path: Path, *words: str) -> int:
    return run(["tool", *words, "--ledger", str(path)])


def test_a_tool_is_put_on_record_and_listed(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tool(path, "list") == 0
    assert "station tool add" in capsys.readouterr().out
    who = ("--person", "Bo Invented")
    assert tool(path, "add", "Wren", "--nest", "red", "--description", "old one", *who) == 0
    assert tool(path, "add", "Wren", "--nest", "blue", "--serial", "W 7", *who) == 0
    capsys.readouterr()
    assert tool(path, "list", "--json") == 0
    assert json.loads(capsys.readouterr().out) == [
        {
            "tool": "Wren",
            "nests": ["red", "blue"],
            "description": "old one",
            "serial": "W 7",
            "demo": False,
        }
    ]
    assert run(["job", "due", "--ledger", str(path)]) == 0
    assert "Wren, nest red: It was never checked." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("Wren", "--nest", "red", "--person", "Nobody"), "Nobody"),
        (("W/x", "--nest", "red", "--person", "Bo Invented"), "slash"),
        (("Wren", "--person", "Bo Invented"), "--nest"),
    ],
)
def test_bad_input_writes_nothing(
    path: Path, words: tuple[str, ...], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert tool(path, "add", *words) == 2
    assert why in capsys.readouterr().err
    with Ledger.open(path) as ledger:
        assert ledger.reader.tools() == []
