"""Reference standards: what they are worth where and when they are used."""

import math
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from station.errors import BadInput, DataFileError
from station.shop.standards import (
    Cell,
    Conditions,
    Resistor,
    Weight,
    load_standards,
)

DAY = date(2027, 2, 16)
FACTS: dict[str, Any] = {
    "id": "R-1",
    "title": "an invented standard",
    "certificate": "C-9",
    "certified_on": date(2026, 2, 16),
    "due_on": date(2028, 2, 16),
}
RESISTOR = Resistor(
    kind="resistor", value_mohm=1.0, u_mohm=3e-5, per_k=1e-4, u_per_k=1e-5, drift_per_year=2e-5,
    **FACTS,
)  # fmt: skip


def test_a_resistor_is_worth_what_its_temperature_and_age_make_of_it() -> None:
    # Sums by hand: 1 mOhm (1 + 1e-4 x 5 K); u from certificate, temperature (0.5 K), coefficient
    # over 5 K and a year's drift as a rectangle, in quadrature.
    value_ohm, u_ohm = RESISTOR.worth(Conditions(DAY, 25.0))
    assert value_ohm == pytest.approx(1.0005e-3)
    parts = (3e-8, 1e-3 * 1e-4 * 0.5, 1e-3 * 1e-5 * 5.0, 1e-3 * 2e-5 * 365 / 365.25 / 3**0.5)
    assert u_ohm == pytest.approx(math.hypot(*parts), rel=1e-9)


def test_a_resistor_that_minds_the_temperature_must_be_told_it() -> None:
    with pytest.raises(BadInput, match="depends on its temperature"):
        RESISTOR.worth(Conditions(DAY))
    steady = RESISTOR.model_copy(update={"per_k": 0.0, "u_per_k": 0.0})
    assert steady.worth(Conditions(DAY))[0] == pytest.approx(1e-3)


def test_a_weight_pulls_by_local_gravity_less_its_lift_in_air() -> None:
    weight = Weight(kind="weight", mass_kg=10.0, u_mass_kg=0.0, **FACTS)
    # GRS80 at 45 degrees and 0.015 % buoyancy (calculated, as for the weights of test_force.py).
    force_n, u_n = weight.worth(Conditions(DAY, site=(45.0, 0.0)))
    assert force_n == pytest.approx(98.047, abs=1e-3)
    assert 0.0 < u_n < 0.01
    with pytest.raises(BadInput, match="latitude"):
        weight.worth(Conditions(DAY))


def test_a_cell_is_good_for_what_its_certificate_covers() -> None:
    cell = Cell(kind="cell", low_n=50.0, high_n=1000.0, u_percent=0.1, **FACTS)
    assert cell.worth(Conditions(DAY), 200.0) == pytest.approx((200.0, 0.2))
    for beyond in (49.9, 1001.0):
        with pytest.raises(BadInput, match="50 to 1000 N"):
            cell.worth(Conditions(DAY), beyond)
    with pytest.raises(BadInput, match="what it indicates"):
        cell.worth(Conditions(DAY))


def test_a_standard_overdue_says_so() -> None:
    assert RESISTOR.overdue(date(2028, 2, 16)) is None
    late = RESISTOR.overdue(date(2028, 2, 17))
    assert late is not None
    assert "was due on 2028-02-16" in late
    assert RESISTOR.words(DAY) == "R-1 (certificate C-9, due 2028-02-16)"
    assert "OVERDUE since 2028-02-16" in RESISTOR.words(date(2028, 3, 1))


def test_the_shipped_examples_are_invented_and_only_for_the_demo() -> None:
    shipped = load_standards(None, invented=True)
    assert {standard.kind for standard in shipped.values()} == {"resistor", "weight", "cell"}
    assert all(standard.invented for standard in shipped.values())
    assert all("invented" in standard.words(DAY) for standard in shipped.values())
    assert len(load_standards(None)) == 0


def test_a_shops_own_file_is_read_and_a_bad_one_named(tmp_path: Path) -> None:
    text = (
        'id = "R-7"\nkind = "resistor"\ntitle = "1 mOhm"\ncertificate = "C-1"\n'
        "certified_on = 2026-01-01\ndue_on = 2027-01-01\nvalue_mohm = 1.0\nu_mohm = 1e-4\n"
    )
    (tmp_path / "R-7.toml").write_text(text, encoding="utf-8")
    found = load_standards(tmp_path, invented=True)
    assert list(found) == ["R-7"]
    assert found.named("R-7", "meter").certificate == "C-1"
    with pytest.raises(BadInput, match="'R-7' for the tester"):
        found.named("R-7", "tester")
    (tmp_path / "R-8.toml").write_text(text.replace("R-7", "R-8").replace("1e-4", "-1"), "utf-8")
    with pytest.raises(DataFileError, match=r"R-8\.toml"):
        load_standards(tmp_path)
    with pytest.raises(DataFileError, match="standards_folder"):
        load_standards(tmp_path / "none")


@pytest.mark.parametrize(
    "wrong", [{"value_mohm": 0.0}, {"u_mohm": -1.0}, {"due_on": date(2026, 2, 16)}, {"id": "../x"}]
)
def test_an_impossible_record_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Resistor.model_validate(RESISTOR.model_dump() | wrong)
