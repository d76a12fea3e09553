from pathlib import Path

import pytest
from flask.testing import FlaskClient

from station.settings import FixtureSettings, Settings
from station.shop.reels import reels
from tests.web.benches import BenchAtHand
from tests.web.invented import WIRE_OHM, order_of

ADDED = {"person": "Ann Example", "reel": "Drum 1", "size": "18awg", "strands": "16x30 AWG"}
MEASURED = {"person": "Ann Example", "reel": "Drum 1", "length_mm": "80", "u_mm": "0.5"}


@pytest.fixture
def add(client: FlaskClient, token: str) -> None:
    assert client.post("/reels", data=ADDED | {"csrf_token": token}).status_code == 303


@pytest.mark.usefixtures("add")
def test_a_reel_is_measured_at_the_bench_and_then_gives_the_wire_share(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.bay.ohm = WIRE_OHM
    answer = client.post("/reels/measure", data=MEASURED | {"csrf_token": token})
    assert answer.status_code == 303
    page = client.get("/reels").text
    assert "Drum 1" in page
    assert f"{WIRE_OHM / 0.080 * 1e3:.4g}" in page
    assert "As sold" in page
    bench.clip(order_of("Ann Example", "blue"))
    bench.finish(splice_ohm=4e-4)
    finished = bench.board.state.outcome
    assert finished is not None
    assert finished.resistance is not None
    assert finished.reels == ("Drum 1", "Drum 1")
    assert finished.resistance.wire_share_from == "reel"
    assert finished.resistance.splice_ohm == pytest.approx(4e-4, abs=1e-6)
    shown = client.get(f"/samples/{finished.sample_id}").text
    assert "the reel as measured" in shown
    assert "Drum 1" in shown


@pytest.mark.usefixtures("add")
def test_a_reference_is_taken_between_the_marks(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.bay.ohm = WIRE_OHM
    form = MEASURED | {"in_fixture": "yes", "csrf_token": token}
    assert client.post("/reels/measure", data=form).status_code == 303
    assert "reference for this span" in client.get("/reels").text
    bench.clip(order_of("Ann Example", "blue"))
    bench.finish(splice_ohm=4e-4)
    finished = bench.board.state.outcome
    assert finished is not None
    assert finished.resistance is not None
    assert finished.resistance.wire_share_from == "reference"
    assert finished.resistance.method == "by_reference"
    assert finished.resistance.splice_ohm == pytest.approx(4e-4, abs=1e-6)


@pytest.mark.usefixtures("add")
def test_the_form_offers_reels_and_a_reel_may_be_left_out(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    assert "Drum 1, 18 AWG" in client.get("/bench").text
    sample = {
        "person": "Ann Example", "job": "service", "tool": "Hand tool 1", "nest": "red",
        "connector": "butt-splice-red", "wire": "18 AWG", "limit_set": "ul-486a-1991",
        "reel": "-", "csrf_token": token,
    }  # fmt: skip
    wrong = client.post("/bench", data=sample | {"reel": "Drum 2"})
    assert wrong.status_code == 400
    assert "Drum 2 is no reel of 18 AWG copper in use" in wrong.text
    assert client.post("/bench", data=sample).status_code == 303
    order = bench.board.state.order
    assert order is not None
    assert order.reels == ()
    assert "no reel named" in client.get("/bench").text
    bench.give_up("enough")
    # None chosen on purpose stays none for the next of this wire.
    assert bench.wire.reels_for(order.joint) == ()


def test_a_reel_that_comes_after_a_sample_without_one_is_taken(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    joint = order_of("Ann Example", "blue").joint
    assert bench.wire.reels_for(joint) == ()
    client.post("/reels", data=ADDED | {"csrf_token": token})
    assert bench.wire.reels_for(joint) == ("Drum 1", "Drum 1")
    client.post("/reels", data=ADDED | {"reel": "Drum 2", "csrf_token": token})
    assert bench.wire.reels_for(joint) == ("Drum 1", "Drum 1")
    assert bench.wire.reels_for(joint, ("Drum 2", "Drum 2")) == ("Drum 2", "Drum 2")
    assert bench.wire.reels_for(joint) == ("Drum 2", "Drum 2")


@pytest.mark.usefixtures("add")
def test_a_reel_out_of_use_is_offered_no_more(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    form = {"person": "Ann Example", "reel": "Drum 1", "reason": "empty", "csrf_token": token}
    assert client.post("/reels/out", data=form).status_code == 303
    assert reels(bench.ledger.reader)["Drum 1"].out == "empty"
    assert "out of use: empty" in client.get("/reels").text
    again = client.post("/reels/measure", data=MEASURED | {"csrf_token": token})
    assert again.status_code == 400
    assert "Drum 1 is out of use" in again.text
    assert "Drum 1, 18 AWG" not in client.get("/bench").text


@pytest.mark.parametrize("wrong", [{"length_mm": "1"}, {"length_mm": "1e9"}, {"u_mm": "-1"},
                                   {"u_mm": "50"}, {"length_mm": "nan"}])  # fmt: skip
@pytest.mark.usefixtures("add")
def test_a_length_that_cannot_be_is_refused(
    client: FlaskClient, bench: BenchAtHand, token: str, wrong: dict[str, str]
) -> None:
    answer = client.post("/reels/measure", data=MEASURED | wrong | {"csrf_token": token})
    assert answer.status_code == 400
    assert reels(bench.ledger.reader)["Drum 1"].measured is None


def test_the_temperature_of_today_goes_with_every_sample(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    assert "not known, 20 °C taken" in client.get("/reels").text
    form = {"person": "Ann Example", "temperature_c": "26.5", "u_k": "0.5", "csrf_token": token}
    assert client.post("/reels/temperature", data=form | {"u_k": "-1"}).status_code == 400
    assert client.post("/reels/temperature", data=form).status_code == 303
    assert "26.5 °C (entered today)" in client.get("/bench").text
    bench.clip(order_of("Ann Example", "blue"))
    bench.finish()
    finished = bench.board.state.outcome
    assert finished is not None
    assert finished.resistance is not None
    assert finished.resistance.temperature_c == 26.5
    assert "(entered today)" in client.get(f"/samples/{finished.sample_id}").text


def test_a_sensor_that_cannot_be_read_is_told_and_recorded(
    bench: BenchAtHand, tmp_path: Path
) -> None:
    fixture = FixtureSettings(temperature_c=21.0, temperature_file=tmp_path / "temp1_input")
    bench.settings = bench.wire.settings = Settings(fixture=fixture)
    bench.clip(order_of("Ann Example", "blue"))
    bench.finish()
    state = bench.board.state
    assert state.outcome is not None
    assert state.outcome.resistance is not None
    assert "temp1_input could not be read" in (state.trouble or "")
    assert state.outcome.resistance.temperature_c == 21.0
    assert state.outcome.resistance.temperature_from == "sensor not read, settings"
