"""Crimp height and width at the bench: asked for where a data sheet is, judged, kept and shown."""

from dataclasses import replace

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Page, expect

from station.bench.board import Stage
from station.bench.sizes import CrimpSizes
from station.crimp.facts import shipped_book
from station.jobs.papers.of_job import paper_of
from station.ledger.entries import SampleFinished
from station.ledger.reader import LedgerReader
from station.simulation.demo import CALIPER
from station.simulation.workshop import good_looks
from tests.station.instruments.fakes import FarEnd, wait_until
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of

OPEN_BARREL = order_of("Bo Invented", "blue").joint.model_copy(
    update={"connector": "open-barrel-small", "wires": ("18 AWG",)}
)
LOOKS = good_looks(OPEN_BARREL)
ORDER = replace(
    order_of("Bo Invented", "blue"), joint=OPEN_BARREL, checklist=good_looks(OPEN_BARREL)
)
FIELD = 'name="crimp_height"'


@pytest.fixture
def measuring(bench: BenchAtHand) -> BenchAtHand:
    """A bench whose shop has a caliper, and a data sheet for small open barrels."""
    settings = bench.settings.model_copy(update={"caliper": CALIPER})
    bench.sizes = CrimpSizes(settings, shipped_book(), bench.board)
    return bench


def confirm(client: FlaskClient, token: str, **form: str) -> tuple[int, str]:
    answer = client.post("/bench/confirm", data={"csrf_token": token, **form})
    return answer.status_code, answer.text


def finished(bench: BenchAtHand, records: LedgerReader) -> SampleFinished:
    bench.until(Stage.GRIP)
    bench.pull()
    bench.name_failure("drawn_out")
    bench.until(Stage.DONE)
    found = records.finished_payload(bench.board.state.sample_id or "")
    assert found is not None
    return found


def test_nothing_is_asked_of_a_shop_without_data_sheets(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.clip(ORDER)
    assert FIELD not in client.get("/bench").text
    status, text = confirm(client, token, crimp_height="1.34")
    assert (status, "No data sheet states" in text) == (400, True)


def test_nothing_is_asked_of_a_joint_without_one(
    client: FlaskClient, measuring: BenchAtHand
) -> None:
    measuring.clip(order_of("Bo Invented", "blue"))
    assert FIELD not in client.get("/bench").text


def test_a_height_is_typed_with_a_comma_judged_kept_and_shown(
    client: FlaskClient, measuring: BenchAtHand, records: LedgerReader, token: str
) -> None:
    measuring.clip(ORDER)
    assert client.get("/bench").text.count(FIELD) == 2, "before the clips, and before the pull"
    assert confirm(client, token, crimp_height="1,35 1,34 1,33", crimp_width="1.6")[0] == 303
    measuring.until(Stage.GRIP)
    page = client.get("/bench").text
    assert FIELD not in page
    assert "Crimp height 1.34 mm, Crimp width 1.60 mm" in page
    made = finished(measuring, records)
    height, width = made.sizes
    assert height.readings_m == pytest.approx((1.35e-3, 1.34e-3, 1.33e-3))
    # 0.02 and half a last digit of 0.01 mm, rectangular; 0.01 mm over the root of 3 [calc].
    assert height.u_m == pytest.approx(1e-5 * (4 / 3 + 1 / 12 + 1 / 3) ** 0.5)
    assert width.u_m == pytest.approx(1e-5 * (4 / 3 + 1 / 12) ** 0.5)
    judged = {one.criterion: one for one in made.criteria}
    assert judged["crimp_height"].verdict == judged["crimp_width"].verdict == "pass"
    assert (judged["crimp_height"].limit, judged["crimp_height"].tolerance) == (1.34e-3, 5e-5)
    assert made.verdict == "pass"
    page = client.get(f"/samples/{made.sample_id}").text
    assert (
        "Crimp height 1.340 mm, 0.000 mm above its target: it must be within 1.34 mm ± 0.05" in page
    )
    assert "invented for the demo. " in page
    row = records.sample(made.sample_id)
    assert row is not None
    assert (row.crimp_height_m, row.crimp_width_u_m) == (height.value_m, width.u_m)


def test_a_height_outside_its_tolerance_fails_the_sample(
    client: FlaskClient, measuring: BenchAtHand, records: LedgerReader, token: str
) -> None:
    measuring.clip(ORDER)
    assert confirm(client, token, crimp_height="1.42", crimp_width="1.6")[0] == 303
    made = finished(measuring, records)
    assert made.verdict == "fail"
    assert [one.criterion for one in made.criteria if one.verdict == "fail"] == ["crimp_height"]


def test_what_was_not_measured_is_named_and_the_sample_is_no_pass(
    client: FlaskClient, measuring: BenchAtHand, records: LedgerReader, token: str
) -> None:
    measuring.clip(ORDER)
    assert confirm(client, token, crimp_height=" ")[0] == 303
    made = finished(measuring, records)
    assert (made.verdict, made.not_judged) == ("undecided", ("height", "width"))
    assert "Undecided, not judged: crimp height, crimp width" in client.get("/bench").text


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("134", "134.00 mm cannot be the size of a crimp that is to have 1.34 mm"),
        ("0.053", "look at the decimal point and the unit"),
        ("1.3.4", "Give crimp height as a number"),
    ],
)
def test_a_slip_of_the_pen_is_refused_and_the_bench_waits(
    client: FlaskClient, measuring: BenchAtHand, token: str, typed: str, says: str
) -> None:
    measuring.clip(ORDER)
    status, text = confirm(client, token, crimp_height=typed)
    assert (status, says in text) == (400, True)
    assert measuring.board.state.stage is Stage.CLIP_ON


def test_a_checks_paper_lists_what_was_measured(
    measuring: BenchAtHand, records: LedgerReader
) -> None:
    nest = (OPEN_BARREL.tool, OPEN_BARREL.nest)
    job_id = measuring.jobs.begin_check([nest], person="Bo Invented")
    assert "Measured before the pull" not in paper_of(records, job_id)
    measuring.clip(replace(ORDER, job_id=job_id))
    measuring.sizes.take({"crimp_height": [1.34e-3]})
    measuring.finish()
    paper = paper_of(records, job_id)
    assert "Measured before the pull" in paper
    assert "1.340 mm" in paper


def test_a_press_of_the_calipers_button_fills_height_then_width_then_begins_anew(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader
) -> None:
    with FarEnd() as far:
        at_port = CALIPER.model_copy(update={"port": far.path})
        settings = bench.settings.model_copy(update={"caliper": at_port})
        bench.sizes = CrimpSizes(settings, shipped_book(), bench.board)
        caliper = bench.sizes.caliper
        assert caliper is not None
        wait_until(lambda: caliper.port.is_open)
        bench.clip(ORDER)
        for pressed, has in (
            ("1.42", {"crimp_height": 1.42e-3}),
            ("1.59", {"crimp_height": 1.42e-3, "crimp_width": 1.59e-3}),
            ("1.34", {"crimp_height": 1.34e-3}),
            ("1.60", {"crimp_height": 1.34e-3, "crimp_width": 1.60e-3}),
        ):
            far.say(f"{pressed} mm\r".encode())
            wait_until(lambda has=has: taken(bench) == pytest.approx(has))  # type: ignore[misc]
        assert "Crimp height 1.34 mm, Crimp width 1.60 mm" in client.get("/bench").text
        bench.grip()
        made = finished(bench, records)
        assert [one.typed for one in made.sizes] == [False, False]
        assert made.verdict == "pass"
        assert "sent by the caliper" in client.get(f"/samples/{made.sample_id}").text
        caliper.close()


def test_what_the_caliper_cannot_mean_is_told_and_nothing_taken(bench: BenchAtHand) -> None:
    with FarEnd() as far:
        at_port = CALIPER.model_copy(update={"port": far.path})
        settings = bench.settings.model_copy(update={"caliper": at_port})
        bench.sizes = CrimpSizes(settings, shipped_book(), bench.board)
        caliper = bench.sizes.caliper
        assert caliper is not None
        wait_until(lambda: caliper.port.is_open)
        bench.clip(ORDER)
        far.say(b"1.34 in\r")
        wait_until(lambda: "34.04 mm cannot be the size" in (bench.board.state.trouble or ""))
        assert taken(bench) == {}
        far.say(b"1.34 mm\r")
        wait_until(lambda: bench.board.state.trouble is None)
        assert taken(bench) == pytest.approx({"crimp_height": 1.34e-3})
        caliper.close()


def taken(bench: BenchAtHand) -> dict[str, float]:
    order = bench.board.state.order
    return {} if order is None else {name: one.value_m for name, one in order.sizes.items()}


def test_a_height_is_typed_and_one_key_goes_on(
    measuring: BenchAtHand, page: Page, address: str
) -> None:
    measuring.clip(ORDER)
    page.goto(f"{address}/bench")
    expect(page.locator("input:focus")).to_have_attribute("name", "crimp_height")
    page.keyboard.type("1,34")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Crimp height 1.34 mm", exact=True)).to_be_visible()
    expect(page.locator("input:focus")).to_have_attribute("name", "crimp_width")
