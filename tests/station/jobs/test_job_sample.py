import math

import pytest

from station.jobs.job_sample import job_sample
from station.ledger.entries import PullResult, SampleFinished
from tests.station.jobs.invented_samples import JOINT, criteria
from tests.station.ledger.invented_entries import PULL, RESISTANCE


def finished(
    verdict: str, reason: str | None = None, pull: PullResult | None = PULL
) -> SampleFinished:
    return SampleFinished.model_validate(
        {
            "sample_id": "s",
            "job": "tool_validation",
            "joint": JOINT,
            "limit_set": "shop",
            "limit_standing": "shop",
            "guard": 1.645,
            "resistance": RESISTANCE,
            "pull": pull,
            "criteria": criteria(133.5),
            "verdict": verdict,
            "void_reason": reason,
        }
    )


def test_values_as_the_statistics_want_them() -> None:
    one = job_sample(finished("pass"), verdict="pass", failure_mode="drawn_out", void_reason=None)
    assert one.force_ratio == pytest.approx(1.5)
    assert one.log_resistance == pytest.approx(math.log(0.00015))
    assert not one.word_only
    assert not one.void


SLIP = PULL.model_copy(update={"failure_mode": "grip_slip", "suggested_mode": "broke_at_edge"})
SHOWN = SLIP.model_copy(update={"suggested_mode": "grip_slip"})


@pytest.mark.parametrize(
    ("reason", "pull", "word_only"),
    [
        ("given up by the operator: dropped", None, True),
        ("the sample slipped in the grips", SLIP, True),
        ("the sample slipped in the grips", SHOWN, False),
        ("the tester went silent", None, False),
    ],
)
def test_a_void_on_the_operators_word(
    reason: str, pull: PullResult | None, word_only: bool
) -> None:
    entry = finished("void", reason, pull)
    asked = {"verdict": "void", "failure_mode": None}
    assert job_sample(entry, void_reason=reason, **asked).word_only is word_only  # type: ignore[arg-type]
    confirmed = job_sample(entry, void_reason="seen by a lead", **asked)  # type: ignore[arg-type]
    assert not confirmed.word_only


def test_a_later_correction_to_void_is_a_lead_and_no_mere_word() -> None:
    entry = finished("fail")
    one = job_sample(entry, verdict="void", failure_mode=None, void_reason="wrong reel")
    assert one.void
    assert not one.word_only
