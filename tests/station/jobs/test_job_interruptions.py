"""A daily check whose station is killed in mid-sample: it goes on, or says why not."""

import subprocess
import sys
from pathlib import Path

import pytest

from station.errors import BadInput, NestOnHold
from station.ledger.jobs import holds
from station.ledger.verify import verify_ledger
from tests.station.jobs.job_child import STEPS
from tests.station.jobs.job_hands import Shop
from tests.web.invented import begun, finish

ROOT = Path(__file__).parents[3]


def kill_at(path: Path, job_id: str, step: str) -> None:
    """Let a station of its own make a sample and kill it at a step."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.station.jobs.job_child", str(path), job_id, step],
        cwd=ROOT, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stdout is not None
    with child.stdout:
        assert child.stdout.readline().strip() == step
        child.kill()
        child.wait()


def make_again(shop: Shop, job_id: str, left: str, person: str) -> None:
    order = shop.order(job_id, person=person, again_for=left)
    sample_id = shop.ledger.append(begun(order), person=person).id
    finish(shop.ledger, sample_id, order, demo=False)
    shop.jobs.settle(job_id, person)


def test_a_check_killed_before_the_clips_were_on_goes_on_as_if_it_had_not(shop: Shop) -> None:
    job_id = shop.begin("red")
    before = shop.ledger.reader.counts().entries
    kill_at(shop.ledger.path, job_id, "clips_on")
    shop.start_again()
    assert shop.ledger.reader.counts().entries == before
    shop.make(job_id)
    following = shop.jobs.state(job_id).next
    assert following is not None
    assert following.left == 2


@pytest.mark.parametrize("step", STEPS)
def test_a_check_killed_in_mid_sample(shop: Shop, step: str) -> None:
    job_id = shop.begin("red")
    kill_at(shop.ledger.path, job_id, step)
    shop.start_again()
    left = shop.ledger.reader.samples(limit=1)[0].sample_id
    assert left in shop.jobs.state(job_id).lines[0]
    with pytest.raises(BadInput, match="never finished"):
        shop.order(job_id)
    # It is taken up next day, by somebody else.
    shop.next_day()
    make_again(shop, job_id, left, "Cy Invented")
    if step == "failure_mode":
        # The pull was made, its force may have been seen, and it is not on record.
        assert shop.outcome(job_id) == "held"
        (hold,) = holds(shop.ledger.reader)
        assert hold.needs == "lead"
        assert "no force on record" in hold.reason
        with pytest.raises(NestOnHold, match="until a lead has looked"):
            shop.begin("red")
        shop.jobs.nests.release(hold.tool, hold.nest, "the power was cut", "Ann Example")
        job_id = shop.begin("red", person="Cy Invented")
    following = shop.jobs.state(job_id).next
    assert following is not None
    assert following.left == 2
    shop.make(job_id)
    shop.make(job_id, person="Ann Example")
    assert shop.outcome(job_id) == "released"
    assert verify_ledger(shop.ledger.path).first_bad is None
