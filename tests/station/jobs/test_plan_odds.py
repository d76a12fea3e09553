"""The operating characteristics against what theory promises."""

import numpy as np
import pytest
from scipy import stats

from station.files import DATA, read_toml
from station.jobs.certification.odds import SimulatedPerson, certifies
from station.jobs.certification.odds import populations as people
from station.jobs.certification.plan import CertificationPlan
from station.jobs.odds import error_rate
from station.jobs.validation.odds import SimulatedTool, accepts
from station.jobs.validation.odds import populations as tools
from station.jobs.validation.plan import ToolValidationPlan

VALIDATION = read_toml(DATA / "plans" / "tool-validation.toml", ToolValidationPlan)
BARE = VALIDATION.model_copy(update={"nest_gauge": "off", "crimp_height": "off"})
CERTIFICATION = read_toml(DATA / "plans" / "certification.toml", CertificationPlan)


def test_interval_agrees_with_the_reference_library() -> None:
    for errors in (0, 3, 50):
        found = error_rate("any", "bad", errors, 50)
        exact = stats.binomtest(errors, 50).proportion_ci(0.95, method="exact")
        assert (found.low, found.high) == pytest.approx((exact.low, exact.high))
    with pytest.raises(ValueError, match="cannot be"):
        error_rate("any", "bad", 2, 1)


def test_a_tool_at_the_edge_is_accepted_no_more_often_than_promised() -> None:
    edge, high = (
        error_rate("any", "bad", sum(accepts(BARE, tool, rng) for _ in range(1_000)), 1_000)
        for place, (_, _, tool) in enumerate(tools(VALIDATION)[:2])
        for rng in [np.random.default_rng([1, place])]
    )
    # Promised: 1 - confidence = 5 % (definition of the tolerance bound).
    assert edge.low < 0.05
    assert high.low < 0.05


def test_stray_crimps_pass_as_often_as_the_success_run_says() -> None:
    rng = np.random.default_rng(5)
    tool = SimulatedTool(9.0, stray=0.10, voids=0.0)
    accepted = sum(accepts(BARE, tool, rng) for _ in range(1_000))
    # 0.9 ** 30 = 4.2 %: none of thirty is stray. Four standard errors are 2.5 points.
    assert accepted / 1_000 == pytest.approx(0.9**30, abs=0.026)


def test_calling_failed_crimps_void_does_not_help() -> None:
    rng = np.random.default_rng(6)
    honest = sum(accepts(BARE, SimulatedTool(6.0, stray=0.1), rng) for _ in range(600))
    fishing = sum(
        accepts(BARE, SimulatedTool(6.0, stray=0.1, word_only=True), rng) for _ in range(600)
    )
    loose = BARE.model_copy(update={"word_only_voids_allowed": 5})
    allowed = sum(
        accepts(loose, SimulatedTool(6.0, stray=0.1, word_only=True), rng) for _ in range(600)
    )
    assert fishing <= honest + 25
    assert allowed > fishing + 200


def test_a_candidate_at_the_edge_is_certified_less_often_than_promised() -> None:
    rng = np.random.default_rng(7)
    edge = people(CERTIFICATION)[0][2]
    certified = sum(certifies(CERTIFICATION, edge, rng) for _ in range(300))
    assert error_rate("edge", "bad", certified, 300).low < 0.05


def test_sound_people_and_tools_pass() -> None:
    rng = np.random.default_rng(8)
    assert all(
        certifies(CERTIFICATION, SimulatedPerson(0.0, 0.0, 1.0, 0.0), rng) for _ in range(20)
    )
    assert all(accepts(BARE, SimulatedTool(9.0, voids=0.0), rng) for _ in range(50))


def test_every_population_has_words_of_its_own() -> None:
    for rows in (tools(VALIDATION), people(CERTIFICATION)):
        assert len({row[0] for row in rows}) == len(rows)
        assert {row[1] for row in rows} == {"bad", "sound"}
