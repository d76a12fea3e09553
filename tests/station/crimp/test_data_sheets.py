from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from station.crimp.data_sheets import DataSheet, size_limits, wires_named
from station.crimp.facts import load_data_sheets, shipped_book
from station.errors import DataFileError
from station.files import DATA

INVENTED = Path(str(DATA / "demo" / "data_sheets"))
SHEET: dict[str, Any] = {
    "id": "invented-terminal", "title": "Invented", "connector": "open-barrel-small",
    "source": "invented", "edition": "test", "standing": "shop",
    "wires": {
        "18 AWG": {"crimp_height": {"mm": 1.34, "tolerance_mm": 0.05}},
        "22 AWG + 18 AWG": {
            "crimp_height": {"mm": 1.5, "tolerance_mm": 0.05},
            "crimp_width": {"mm": 1.6, "tolerance_mm": 0.1},
        },
    },
}  # fmt: skip


def test_a_sheet_states_targets_for_the_wires_that_it_names_and_no_others() -> None:
    sheets = [DataSheet.model_validate(SHEET)]
    (height,) = size_limits(sheets, "open-barrel-small", ["18 AWG"])
    assert (height.criterion, height.size, height.unit_si) == ("crimp_height", "18 AWG", "m")
    assert height.value_si == pytest.approx(1.34e-3)
    assert height.tolerance_si == pytest.approx(5e-5)
    assert height.words.startswith("invented-terminal: invented, test (the shop's own).")
    both = size_limits(sheets, "open-barrel-small", ["18 AWG", "22 AWG"])
    assert [limit.criterion for limit in both] == ["crimp_height", "crimp_width"]
    assert not list(size_limits(sheets, "open-barrel-small", ["20 AWG"])), "never interpolated"
    assert not list(size_limits(sheets, "open-barrel-large", ["18 AWG"]))


def test_wires_are_named_the_smaller_first() -> None:
    assert wires_named(["18 awg", "22 AWG"]) == wires_named(["22 AWG", "18 AWG"])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"standing": "memory"}, "standing"),
        ({"wires": {"18awg": SHEET["wires"]["18 AWG"]}}, "write '18awg' as '18 AWG'"),
        ({"wires": {"18 AWG": {"length": {"mm": 1.6, "tolerance_mm": 0.1}}}}, "crimp_width"),
    ],
)
def test_a_wrong_sheet_is_refused(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        DataSheet.model_validate(SHEET | changes)


def test_the_only_sheet_here_is_the_demos_and_says_that_it_is_invented() -> None:
    (sheet,) = load_data_sheets(INVENTED, shipped_book())
    assert "invented" in sheet.source
    assert "INVENTED" in sheet.title
    shipped = [path for path in Path(str(DATA)).rglob("*") if "sheet" in path.name]
    assert shipped == [INVENTED]


def test_a_sheet_for_no_connector_is_named(tmp_path: Path) -> None:
    text = (INVENTED / "tern-lane-terminal.toml").read_text("utf-8")
    wrong = text.replace("open-barrel-small", "no-such")
    (tmp_path / "tern-lane-terminal.toml").write_text(wrong, "utf-8")
    with pytest.raises(DataFileError, match=r"tern-lane-terminal.toml: there is no .*'no-such'"):
        load_data_sheets(tmp_path, shipped_book())
