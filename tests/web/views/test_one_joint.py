"""One joint has one name: what its validation, its check and a sample of its own call it."""

import math
import re

from flask.testing import FlaskClient

from station.jobs.validation.record import read as read_validation
from station.ledger.entries import BaselineSet, Joint
from station.ledger.reader import LedgerReader
from station.shop.trend import nest_trend
from tests.web.benches import BenchAtHand
from web.format import place

TOOL, NEST = "Hand tool 1", "blue"
RING = {"connector": "ring-blue", "wire": "16 AWG", "wire2": ""}
FORM = {"person": "Bo Invented", "place": place(TOOL, NEST), "limit_set": "ul-486a-1991"}


def validated(client: FlaskClient, records: LedgerReader, token: str) -> Joint:
    """The joint of a validation that was begun on the page."""
    form = {"csrf_token": token, "person": "Ann Example", "tool": TOOL}
    lines = {"connector1": "ring-blue", "wire1": "16 AWG", "nest1": NEST}
    answer = client.post("/validations", data=form | lines)
    assert answer.status_code == 303, answer.text
    job = read_validation(records, str(answer.location).removeprefix("/validations/"))
    return job.scope.joints[0]


def baseline(joint: Joint) -> BaselineSet:
    return BaselineSet(
        demo=True, joint=joint, baseline_version=1, n=30,
        force_ratio_center=1.2, force_ratio_sigma=0.05,
        log_resistance_center=math.log(4e-4), log_resistance_sigma=0.05, sample_ids=(),
    )  # fmt: skip


def test_a_ring_is_scored_against_the_baseline_of_its_validation(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    joint = validated(client, records, token)
    assert joint.wires == ("16 AWG",)
    bench.enter(baseline(joint), "Ann Example")

    # By itself at the bench; then in a daily check, described as another gauge.
    form = FORM | RING | {"csrf_token": token}
    assert client.post("/bench", data=form | {"job": "daily_check"}).status_code == 303
    bench.finish(160.0)
    job = f"/jobs/{bench.jobs.begin_check([(TOOL, NEST)], person='Bo Invented')}"
    assert "16 AWG copper, ring-blue" in client.get(job).text
    assert client.post(f"{job}/sample", data=form).status_code == 303
    bench.finish(160.0)

    made = [row for row in records.nest_samples(TOOL, NEST) if row.connector == "ring-blue"]
    assert [row.joint_key for row in made] == [joint.key, joint.key]
    trend = nest_trend(TOOL, NEST, made, records.baselines(), run_length=5000.0)
    for point in trend.points:
        assert point.force_distance is not None
        assert point.resistance_distance is not None


def test_a_tap_of_two_sizes_is_made_without_saying_that_it_is_wrong(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    tap = {"connector": "parallel-splice-blue", "wire": "20 AWG", "wire2": "18 AWG"}
    form = FORM | tap | {"csrf_token": token, "job": "daily_check"}
    offered = re.search(
        r'value="parallel-splice-blue" data-holds="([^"]*)"', client.get("/bench").text
    )
    assert offered is not None
    assert {"20 AWG", "18 AWG"} <= set(offered[1].split(";"))
    too_much = client.post("/bench", data=form | {"wire": "14 AWG", "wire2": "14 AWG"})
    assert too_much.status_code == 400
    assert "is not made for 14 AWG with 14 AWG" in too_much.text
    assert client.post("/bench", data=form).status_code == 303
    bench.finish(splice_ohm=9e-4)
    order = bench.board.state.order
    assert order is not None
    assert (order.joint.wires, order.use_wrong_barrel) == (("18 AWG", "20 AWG"), False)
    # The next sample of this joint is described as this one was.
    again = client.get("/bench").text.split('id="describe"')[1]
    assert re.findall(r'value="(\d+ AWG)" selected', again) == ["18 AWG", "20 AWG"]
