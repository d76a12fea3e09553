"""What `station wire` and `station limits` print, word for word: people's scripts read it."""

from pathlib import Path

import pytest

from station.cli.main import run

PRINTED = Path(__file__).with_name("printed")


@pytest.mark.parametrize("arguments", [["wire", "18 AWG"], ["limits", "30 AWG"]])
@pytest.mark.parametrize(("option", "ending"), [([], "txt"), (["--json"], "json")])
def test_printed_as_ever(
    arguments: list[str], option: list[str], ending: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*arguments, *option]) == 0
    kept = (PRINTED / f"{arguments[0]}.{ending}").read_text(encoding="utf-8")
    assert capsys.readouterr().out == kept
