import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.gauge_study import crossed_study, nested_study

PUBLISHED = Path(__file__).parents[1] / "published"


def columns(name: str) -> dict[str, list[str]]:
    with (PUBLISHED / name).open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: [row[key] for row in rows] for key in rows[0]}


CROSSED = columns("crossed_10x3x3.csv")
VALUES = [float(value) for value in CROSSED["value"]]
DYESTUFF = columns("dyestuff.csv")


def test_crossed_study_as_printed() -> None:
    # AIAG MSA, 4th edition, tables III-B 7/8, printed values [seen-2]: pooled.
    study = crossed_study(CROSSED["part"], CROSSED["appraiser"], VALUES)
    assert study.pooled
    assert study.repeatability_sd == pytest.approx(0.199933, abs=1e-6)
    assert study.reproducibility_sd == pytest.approx(0.226838, abs=1e-6)
    assert study.interaction_sd == 0.0
    assert study.gauge_sd == pytest.approx(0.302373, abs=3e-6)
    assert study.part_sd == pytest.approx(1.042327, abs=1e-6)
    assert study.percent_gauge == pytest.approx(27.9, abs=0.05)
    assert study.distinct_categories == 4


def test_analysis_of_variance_as_printed() -> None:
    # The same tables [seen-2]: sums of squares 3.1673, 88.3619, 0.3590, 2.7589; F of interaction
    # 0.434; further digits computed independently [calc].
    study = crossed_study(CROSSED["part"], CROSSED["appraiser"], VALUES)
    part, appraiser, interaction, error = study.sources
    assert part.sum_of_squares == pytest.approx(88.3619344, abs=1e-7)
    assert appraiser.sum_of_squares == pytest.approx(3.1672622, abs=1e-7)
    assert interaction.sum_of_squares == pytest.approx(0.3589822, abs=1e-7)
    assert error.sum_of_squares == pytest.approx(2.7589333, abs=1e-7)
    assert [line.dof for line in study.sources] == [9, 2, 18, 60]
    assert interaction.f == pytest.approx(0.4337210, abs=1e-7)
    assert interaction.p == pytest.approx(0.9741064, abs=1e-7)


def test_crossed_study_without_pooling() -> None:
    # Computed independently [calc]: EV 0.21443466, interaction negative, GRR 0.3132174.
    study = crossed_study(CROSSED["part"], CROSSED["appraiser"], VALUES, pool=False)
    assert not study.pooled
    assert study.repeatability_sd == pytest.approx(0.21443466, abs=1e-8)
    assert study.interaction_sd == 0.0
    assert study.floored == ("interaction",)
    assert study.reproducibility_sd is not None
    assert study.reproducibility_sd**2 == pytest.approx(0.0521229, abs=1e-7)
    assert study.part_sd**2 == pytest.approx(1.0886721, abs=1e-7)
    assert study.gauge_sd == pytest.approx(0.3132174, abs=1e-7)
    assert study.total_sd == pytest.approx(1.0893931, abs=1e-7)


def test_dyestuff() -> None:
    # Davies & Goldsmith; the lme4 documentation prints 42.00 and 49.51 [seen-1]; more [calc].
    study = nested_study(DYESTUFF["batch"], [float(v) for v in DYESTUFF["yield"]])
    assert study.part_sd == pytest.approx(42.000595, abs=1e-6)
    assert study.repeatability_sd == pytest.approx(49.510100, abs=1e-6)
    assert study.floored == ()
    assert study.sources[0].f == pytest.approx(4.598266, abs=1e-6)
    assert study.sources[0].p == pytest.approx(0.0043975, abs=1e-7)


def test_dyestuff_twin_with_a_negative_component() -> None:
    # The twin: batch 0, residual 3.716 by REML, lme4 documentation [seen-1]; all 29 degrees of
    # freedom pooled [calc].
    study = nested_study(DYESTUFF["batch"], [float(v) for v in DYESTUFF["yield2"]])
    assert study.part_sd == 0.0
    assert study.floored == ("part",)
    assert study.pooled
    assert study.repeatability_sd == pytest.approx(3.715684, abs=1e-6)


def test_crossed_numbers_read_as_nested_parts() -> None:
    # Identity: 30 parts nested in 3 people; SS part(appraiser) = 88.3619344 + 0.3589822 on 27
    # [calc].
    batch = [f"{a}{p}" for a, p in zip(CROSSED["appraiser"], CROSSED["part"], strict=True)]
    study = nested_study(batch, VALUES, CROSSED["appraiser"])
    appraiser, part, error = study.sources
    assert part.sum_of_squares == pytest.approx(88.7209167, abs=1e-7)
    assert part.dof == 27
    assert error.sum_of_squares == pytest.approx(2.7589333, abs=1e-7)
    assert appraiser.sum_of_squares == pytest.approx(3.1672622, abs=1e-7)


@given(st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_shift_and_scale_are_followed(shift: float, scale: float) -> None:
    plain = crossed_study(CROSSED["part"], CROSSED["appraiser"], VALUES)
    moved = crossed_study(
        CROSSED["part"], CROSSED["appraiser"], [shift + scale * value for value in VALUES]
    )
    assert moved.gauge_sd == pytest.approx(scale * plain.gauge_sd, rel=1e-6)
    assert moved.part_sd == pytest.approx(scale * plain.part_sd, rel=1e-6)


def test_simulated_components_are_found() -> None:
    rng = np.random.default_rng(4)
    parts, people, trials = 200, 12, 3
    part = np.repeat(np.arange(parts), people * trials)
    person = np.tile(np.repeat(np.arange(people), trials), parts)
    value = (
        rng.normal(0, 3.0, parts)[part]
        + rng.normal(0, 1.0, people)[person]
        + rng.normal(0, 0.7, (parts, people))[part, person]
        + rng.normal(0, 0.5, part.size)
    )
    study = crossed_study([str(p) for p in part], [str(p) for p in person], value.tolist())
    assert not study.pooled
    assert study.repeatability_sd == pytest.approx(0.5, rel=0.05)
    assert study.interaction_sd == pytest.approx(0.7, rel=0.1)
    assert study.part_sd == pytest.approx(3.0, rel=0.15)


def test_one_person_has_no_reproducibility() -> None:
    study = crossed_study(["1", "1", "2", "2"], ["A"] * 4, [1.0, 1.1, 2.0, 2.1])
    assert study.reproducibility_sd is None
    assert study.interaction_sd is None
    assert study.repeatability_sd == pytest.approx(0.0707107, abs=1e-6)


@pytest.mark.parametrize(
    ("part", "appraiser", "value", "says"),
    [
        (["1", "1"], ["A", "A"], [1.0, 2.0], "two parts"),
        (["1", "2"], ["A", "A"], [1.0, 2.0], "two trials"),
        (["1", "1", "2"], ["A", "A", "A"], [1.0, 2.0, 3.0], "A measured part 2 1 times"),
        (["1", "1", "2", "2"], ["A"] * 4, [1.0, 2.0, 3.0, float("nan")], "finite"),
    ],
)
def test_uneven_studies_are_refused(
    part: list[str], appraiser: list[str], value: list[float], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        crossed_study(part, appraiser, value)


@pytest.mark.parametrize(
    ("batch", "appraiser", "says"),
    [
        (["a", "a", "a"], None, "two batches"),
        (["a", "a", "b", "b"], ["X", "X", "Y", "Y"], "two batches"),
        (["a", "b", "c"], None, "two parts"),
        (["a", "a", "b"], None, "batch b has 1"),
        (["a", "a", "b", "b", "c", "c"], ["X", "X", "Y", "Y", "Y", "Y"], "Y has 2 batches"),
    ],
)
def test_uneven_nested_studies_are_refused(
    batch: list[str], appraiser: list[str] | None, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        nested_study(batch, [float(i) for i in range(len(batch))], appraiser)


def test_no_spread_at_all_is_no_number() -> None:
    study = crossed_study(["1", "1", "2", "2"], ["A"] * 4, [1.0] * 4)
    assert study.percent_gauge is None
    assert study.distinct_categories is None
