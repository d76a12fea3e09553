import math

import pytest

from station.jobs.sample import job_sample
from station.ledger.entries import SampleFinished
from tests.station.jobs.invented_samples import JOINT, criteria
from tests.station.jobs.test_comparison import made
from tests.station.ledger.invented_entries import PULL, RESISTANCE


def finished(verdict: str, reason: str | None = None, by: str | None = None) -> SampleFinished:
    return SampleFinished.model_validate(
        {
            "sample_id": "s",
            "job": "tool_validation",
            "joint": JOINT,
            "limit_set": "shop",
            "limit_standing": "shop",
            "guard": 1.645,
            "resistance": RESISTANCE,
            "pull": PULL,
            "criteria": criteria(133.5),
            "verdict": verdict,
            "void_reason": reason,
            "void_by": by,
        }
    )


def test_values_as_the_statistics_want_them() -> None:
    one = job_sample(finished("pass"), made(verdict="pass", failure_mode="drawn_out"))
    assert one.force_ratio == pytest.approx(1.5)
    assert one.log_resistance == pytest.approx(math.log(0.00015))
    assert not one.word_only
    assert not one.void


@pytest.mark.parametrize(("by", "word_only"), [("person", True), ("instrument", False)])
def test_a_void_on_the_operators_word(by: str, word_only: bool) -> None:
    entry = finished("void", "slipped", by)
    said = made(verdict="void", void_reason="slipped")
    assert job_sample(entry, said).word_only is word_only
    confirmed = job_sample(entry, made(verdict="void", void_reason="seen by a lead"))
    assert not confirmed.word_only


def test_a_later_correction_to_void_is_a_lead_and_no_mere_word() -> None:
    entry = finished("fail")
    one = job_sample(entry, made(verdict="void", void_reason="wrong reel"))
    assert one.void
    assert not one.word_only
