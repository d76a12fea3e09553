"""Certified analyses of variance: NIST StRD data sets, as the scipy wheel ships them [primary]."""

from pathlib import Path

import pytest
import scipy

from calibration.gauge_study import nested_study

FOLDER = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"
FIRST_LINE = 60

DIGITS = {
    "SiRstv": 8, "AtmWtAg": 7,
    "SmLs01": 12, "SmLs02": 12, "SmLs03": 12,
    # An offset of 1e6: the values themselves are stored to nine digits of their spread.
    "SmLs04": 8, "SmLs05": 8, "SmLs06": 8,
    # An offset of 1e12: stored to about three digits.
    "SmLs07": 2.5, "SmLs08": 2.5, "SmLs09": 2.5,
}  # fmt: skip
"""Certified digits that must come out; the values of the last three hold no more."""


def certified(lines: list[str], source: str) -> list[float]:
    line = next(line for line in lines if line.startswith(source))
    return [float(text) for text in line.split()[2:]]


@pytest.mark.parametrize("name", DIGITS)
def test_certified_analyses_of_variance(name: str) -> None:
    lines = (FOLDER / f"{name}.dat").read_text().splitlines()
    rows = [line.split() for line in lines[FIRST_LINE:] if line.strip()]
    study = nested_study([row[0] for row in rows], [float(row[1]) for row in rows], None)
    between, within = study.sources
    _, between_squares, _, f = certified(lines, "Between")
    dof, within_squares, _ = certified(lines, "Within")
    allowed = 10.0 ** -DIGITS[name]
    assert between.sum_of_squares == pytest.approx(between_squares, rel=allowed)
    assert within.sum_of_squares == pytest.approx(within_squares, rel=allowed)
    assert within.dof == dof
    found = (between.sum_of_squares / between.dof) / (within.sum_of_squares / within.dof)
    assert found == pytest.approx(f, rel=allowed)
