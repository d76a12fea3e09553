"""Outputs switched off by their settings file, over gpiozero's mock pins."""

from collections.abc import Iterator
from pathlib import Path

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory

from station.errors import DataFileError
from station.instruments.panel import off as panel_off
from station.settings import PanelPins


def written(folder: Path, text: str) -> Path:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def pins(monkeypatch: pytest.MonkeyPatch) -> Iterator[MockFactory]:
    """Mock pins that pass for real ones, as nothing is measured here."""
    factory = MockFactory()
    monkeypatch.setattr(gpiozero.Device, "pin_factory", factory)
    monkeypatch.setattr(
        "station.instruments.panel.gpio._pin_factory", lambda _allow_mock: (factory, False)
    )
    yield factory
    factory.reset()


def test_lamps_left_lit_by_a_killed_program_go_off(tmp_path: Path, pins: MockFactory) -> None:
    lamp = pins.pin(20)
    lamp.function = "output"
    lamp.state = True
    said = panel_off.switch_off(written(tmp_path, "[panel]\nlamp_fail = 20\n"))
    assert not lamp.state
    assert said == "The panel's lamps, buzzer and relay are off."


def test_pins_still_held_are_told(
    tmp_path: Path, pins: MockFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    held = gpiozero.LED(17)
    assert panel_off.main([str(written(tmp_path, "[panel]\n"))]) == 2
    assert "GPIO17" in capsys.readouterr().err
    held.close()


def test_settings_without_a_panel_are_nothing_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert panel_off.main([str(written(tmp_path, "guard = 2\n"))]) == 0
    assert "No panel is set up" in capsys.readouterr().out


def test_what_is_not_wired_is_false(tmp_path: Path) -> None:
    pins = panel_off.pins_in(written(tmp_path, "[panel]\nguard = false\n"))
    assert pins == PanelPins(guard=None)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[panel]\nguard = 40\n", "panel.guard"),
        ("[panel]\nguard = true\n", "panel.guard"),
        ("[panel]\nhorn = 20\n", "panel.horn"),
        ("[panel]\nguard = 5\n", "GPIO5"),
        ("[panel", "could not be read"),
    ],
)
def test_mistakes_are_one_sentence(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(DataFileError) as caught:
        panel_off.pins_in(written(tmp_path, text))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_call_without_settings_says_what_to_type(capsys: pytest.CaptureFixture[str]) -> None:
    assert panel_off.main([]) == 2
    assert "bench.toml" in capsys.readouterr().err
