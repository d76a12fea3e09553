import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.statistics.charts import (
    ewma,
    ewma_limits,
    individuals_chart,
    means_chart,
    range_d2,
    rule_flags,
)

PUBLISHED = Path(__file__).parents[2] / "published"


def column(name: str, key: str) -> list[float]:
    with (PUBLISHED / name).open(newline="") as file:
        return [float(row[key]) for row in csv.DictReader(file)]


def test_flow_rate_individuals_chart() -> None:
    # NIST/SEMATECH handbook 6.3.2.2, data [seen-2], mean 50.81 and limits 55.8041 and 45.8159
    # [seen-1]; the printed limits rest on d2 rounded to 1.128.
    chart = individuals_chart(column("flow_rate.csv", "flowrate"))
    assert chart.center == pytest.approx(50.81, abs=1e-9)
    assert chart.upper == pytest.approx(55.8041, abs=1e-4)
    assert chart.lower == pytest.approx(45.8159, abs=1e-4)
    assert chart.signals == ()


def test_ewma_example() -> None:
    # NIST/SEMATECH handbook 6.3.2.4 [seen-6]: weight 0.3, start 50, s 2.0539, width 3; printed
    # limits 52.5884 and 47.4115, the lower one cut, not rounded.
    averages = ewma(column("ewma.csv", "x"), 0.3, 50.0)
    assert averages == pytest.approx(column("ewma.csv", "ewma_exact"), abs=6e-7)
    assert averages == pytest.approx(column("ewma.csv", "ewma_printed"), abs=0.00501)
    low, high = ewma_limits(50.0, 2.0539, 0.3, 3.0)
    assert high == pytest.approx(52.5884, abs=1e-4)
    assert low == pytest.approx(47.4115, abs=1e-4)
    assert ((low < averages) & (averages < high)).all()


@pytest.mark.parametrize("n", range(2, 26))
def test_range_constant(n: int) -> None:
    # Control chart constants by integration, error below 1e-9 [calc]; published tables, as in
    # ASTM's manual on control charts, agree to three decimals [seen-2].
    expected = dict(
        zip(column("chart_constants.csv", "n"), column("chart_constants.csv", "d2"), strict=True)
    )
    assert range_d2(n) == pytest.approx(expected[n], abs=6e-7)


def first_signals(rules: str, shift: float, sets: tuple[str, ...], length: int) -> np.ndarray:
    rng = np.random.default_rng(17)
    z = rng.standard_normal((12_000, length)) + shift
    flags = rule_flags(z, rules)  # type: ignore[arg-type]
    joined = np.any([flags[name] for name in sets], axis=0)
    assert joined.any(axis=1).mean() > 0.99
    return np.where(joined.any(axis=1), joined.argmax(axis=1) + 1, length)


@pytest.mark.parametrize(
    ("sets", "shift", "length", "expected"),
    [
        # Champ & Woodall, Technometrics 29 (1987): all four rules in control 91.75 [memory], 91.751
        # [calc]; rules 1 and 2: 225.44 in control and 20.01 at one sigma [seen-1].
        (("we-1", "we-2", "we-3", "we-4"), 0.0, 900, 91.75),
        (("we-1", "we-2"), 0.0, 2000, 225.44),
        (("we-1", "we-2"), 1.0, 250, 20.01),
        # Limits alone: 43.895 at one sigma [calc].
        (("we-1",), 1.0, 420, 43.895),
    ],
)
def test_run_lengths_of_run_rules(
    sets: tuple[str, ...], shift: float, length: int, expected: float
) -> None:
    lengths = first_signals("we", shift, sets, length)
    standard_error = lengths.std() / np.sqrt(lengths.size)
    assert lengths.mean() == pytest.approx(expected, abs=4 * standard_error)


@pytest.mark.parametrize(
    ("shift", "expected"), [(0.5, 88.8), (1.0, 17.5), (1.5, 6.53), (2.0, 3.63)]
)
def test_run_lengths_of_ewma(shift: float, expected: float) -> None:
    # Lucas & Saccucci, Technometrics 32 (1990) [seen-1]: weight 0.5, width 3.071, fixed limits.
    rng = np.random.default_rng(23)
    runs, average = 6000, np.zeros(6000)
    low, high = ewma_limits(0.0, 1.0, 0.5, 3.071)
    length = np.zeros(runs)
    alive = np.ones(runs, dtype=bool)
    for step in range(1, 1500):
        average = 0.5 * (rng.standard_normal(runs) + shift) + 0.5 * average
        out = alive & ((average < low) | (average > high))
        length[out] = step
        alive &= ~out
        if not alive.any():
            break
    assert not alive.any()
    assert length.mean() == pytest.approx(expected, abs=4 * length.std() / np.sqrt(runs))


Z = {
    "nelson-1": [0.5, 3.1],
    "nelson-2": [0.1] * 9,
    "nelson-3": [0.0, 0.1, 0.2, 0.3, 0.4, 0.5],
    "nelson-4": [0.1, -0.1] * 7,
    "nelson-5": [2.1, 0.0, 2.2],
    "nelson-6": [1.1, 1.2, 0.0, 1.1, 1.3],
    "nelson-7": [0.5, -0.5] * 7 + [0.5],
    "nelson-8": [1.5, -1.5] * 4,
}


@pytest.mark.parametrize(("rule", "scores"), Z.items())
def test_nelson_rules_signal_at_the_last_point_and_not_before(
    rule: str, scores: list[float]
) -> None:
    # Nelson, Journal of Quality Technology 16 (1984) 237-239 [seen-6].
    flags = rule_flags(scores, "nelson")[rule]
    assert np.flatnonzero(flags).tolist() == [len(scores) - 1]


@pytest.mark.parametrize(
    ("rule", "scores"),
    [
        ("we-4", [0.1] * 7 + [0.0]),  # a point on the centre line ends the run
        ("we-2", [2.1, 2.2, 0.0]),  # the newest point must itself lie in the zone
        ("we-2", [2.0, 2.0, 2.0]),  # on the line is not beyond it
        ("we-2", [2.1, 0.0, -2.1]),  # not on one side
        ("we-1", [3.0]),
    ],
)
def test_open_points_are_settled(rule: str, scores: list[float]) -> None:
    assert not rule_flags(scores, "we")[rule][-1]


def test_a_tie_ends_a_trend() -> None:
    assert not rule_flags([0.0, 0.1, 0.2, 0.2, 0.3, 0.4, 0.5], "nelson")["nelson-3"].any()


@given(st.lists(st.floats(-5.0, 5.0), min_size=2, max_size=60), st.sampled_from(["we", "nelson"]))
def test_mirrored_scores_give_the_same_signals(scores: list[float], rules: str) -> None:
    flags = rule_flags(scores, rules)  # type: ignore[arg-type]
    mirrored = rule_flags([-z for z in scores], rules)  # type: ignore[arg-type]
    for name, found in flags.items():
        assert found.tolist() == mirrored[name].tolist()


def test_subgroup_means_by_hand() -> None:
    # Ranges 2 and 4, d2 of three 1.69257 [calc]: sigma of a mean is 3 / 1.69257 / sqrt 3.
    chart = means_chart([1.0, 2.0, 3.0, 2.0, 4.0, 6.0], ["a", "a", "a", "b", "b", "b"])
    assert chart.points == (2.0, 4.0)
    assert chart.center == 3.0
    assert chart.sigma == pytest.approx(3.0 / 1.69257 / 3.0**0.5, rel=1e-5)


def test_given_center_and_sigma_are_used() -> None:
    chart = individuals_chart([10.0, 10.1, 13.5], center=10.0, sigma=1.0, rules="we")
    assert (chart.lower, chart.upper) == (7.0, 13.0)
    assert [(signal.index, signal.rule) for signal in chart.signals] == [(2, "we-1")]
    grouped = means_chart([10.0] * 4, ["a", "a", "b", "b"], center=10.0, sigma=2.0)
    assert grouped.sigma == pytest.approx(2.0 / 2.0**0.5)


def test_large_offsets_keep_their_digits() -> None:
    values = [0.1, -0.1, 0.2, 0.0, -0.2, 0.1]
    near = individuals_chart(values)
    far = individuals_chart([1e6 + value for value in values])
    assert far.sigma == pytest.approx(near.sigma, rel=1e-8)


@pytest.mark.parametrize(
    ("values", "says"),
    [([1.0], "at least 2"), ([1.0, 1.0, 1.0], "differ"), ([1.0, float("nan")], "finite")],
)
def test_degenerate_input_is_refused(values: list[float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        individuals_chart(values)


def test_uneven_subgroups_are_named() -> None:
    with pytest.raises(ValueError, match="subgroup b has 1"):
        means_chart([1.0, 2.0, 3.0], ["a", "a", "b"])
