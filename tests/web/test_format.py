"""How values are written."""

import math
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp import units
from station.ledger.entries import CriterionResult
from web import format as shown


def criterion(name: str, unit: str, value: float | None, limit: float) -> CriterionResult:
    return CriterionResult(
        criterion=name,
        unit=unit,
        value=value,
        u=None if value is None else 0.01 * limit,
        limit=limit,
        verdict="undecided",
        probability_conforming=None if value is None else 0.5,
    )


def test_force_has_pounds_beside_it() -> None:
    # 1 lbf = 4.4482216152605 N exactly, from the pound and standard gravity [calc].
    assert shown.newton(88.96443230521) == "89.0 N (20.0 lbf)"
    assert shown.newton(142.0, 0.6) == "142.00 N (31.92 lbf)"
    assert shown.newton(None) == "–"


@pytest.mark.parametrize("force_n", [-0.0, -0.04])
def test_a_slack_tester_shows_no_minus_zero(force_n: float) -> None:
    assert shown.newton(force_n) == "0.0 N (0.0 lbf)"
    assert shown.newton(-0.4) == "-0.4 N (-0.1 lbf)"


def test_resistance_is_in_milliohm_with_two_digits_of_its_uncertainty() -> None:
    assert units.milliohm(4.1234e-4, 2.3e-5) == "0.412 mΩ"
    assert units.milliohm(4.1234e-4, 2.3e-7) == "0.41234 mΩ"
    assert units.milliohm(4.1234e-4) == "0.412 mΩ"


@given(st.floats(-1e4, 1e4, allow_nan=False), st.floats(1e-6, 1e3, allow_nan=False))
def test_rounding_costs_less_than_a_tenth_of_the_uncertainty(value: float, u: float) -> None:
    written = float(units.number(value, u, decimals=0))
    # Two digits of u are kept: half a step is at most a twentieth of u, above 10 at most half.
    assert abs(written - value) <= max(u / 19.0, 0.5 if u >= 10.0 else 0.0) + 1e-9 * abs(value)


def test_zero_uncertainty_leaves_the_default_digits() -> None:
    assert units.number(1.23456, 0.0, decimals=2) == "1.23"


@pytest.mark.parametrize(
    ("probability", "words"),
    [(1.0, "over 99.9 %"), (0.0, "under 0.1 %"), (0.954, "95.4 %"), (None, "–")],
)
def test_probability_claims_no_more_than_it_knows(probability: float | None, words: str) -> None:
    assert shown.percent(probability) == words


def test_score_has_a_sign_and_no_minus_zero() -> None:
    assert [shown.score(value) for value in (-0.04, 1.26, -3.0, None)] == [
        "+0.0",
        "+1.3",
        "-3.0",
        "–",
    ]


def test_reason_tells_value_margin_and_limit() -> None:
    least = shown.reason(criterion("pull_force_min", "N", 80.0, 100.0))
    assert least == (
        "Pull force 80.0 N (18.0 lbf), 20.0 N (4.5 lbf) below its limit: it must be at least "
        "100.0 N (22.5 lbf). Probability that it conforms: 50.0 %."
    )
    most = shown.reason(criterion("voltage_drop_max", "V", 0.004, 0.005))
    assert most.startswith("Voltage drop 4.000 mV, 1.000 mV below its limit: it must be at most")
    absent = shown.reason(criterion("resistance_max", "ohm", None, 0.001))
    assert absent == "Resistance was not measured; it must be at most 1.000 mΩ."


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("memory", "unverified, from memory"),
        ("shop", "the shop's own"),
        ("seen-1", "seen in 1 text"),
        ("seen-12", "seen in 12 texts"),
        ("set no longer at hand", "set no longer at hand"),
        (None, "–"),
    ],
)
def test_standing_is_said_in_words(code: str | None, words: str) -> None:
    assert shown.standing(code) == words


def test_time_is_local_with_the_iso_date() -> None:
    moment = datetime(2031, 3, 4, 15, 0, tzinfo=UTC)
    local = moment.astimezone()
    assert shown.local_time(moment) == local.isoformat(sep=" ", timespec="minutes")[:16]
    assert math.isclose(local.timestamp(), moment.timestamp())


def test_the_end_of_the_calendar_is_written_somehow(monkeypatch: pytest.MonkeyPatch) -> None:
    for zone in ("Asia/Tokyo", "America/New_York"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        written = shown.local_time(datetime(9999, 12, 31, 23, 59, tzinfo=UTC))
        monkeypatch.undo()
        time.tzset()
        assert written.startswith("9999-12-31")


@pytest.mark.parametrize(
    ("end", "held_s", "words"),
    [
        ("destructive", None, "92 N"),
        ("at_least", None, "at least 92 N"),
        ("hold", 60.04, "92 N held for 60 s"),
        ("hold", 59.99, "92 N held for 59.9 s"),
    ],
)
def test_a_force_that_was_borne_is_not_said_as_a_peak(
    end: str, held_s: float | None, words: str
) -> None:
    assert shown.bearing("92 N", end, held_s) == words
