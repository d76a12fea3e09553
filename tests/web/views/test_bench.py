"""The bench page without a browser: form, buttons, live state."""

import re
import threading
from dataclasses import replace
from pathlib import Path
from unittest.mock import Mock

import pytest
from flask import Flask
from flask.testing import FlaskClient
from markupsafe import escape

from station.bench.board import Stage
from station.crimp.facts import load_connectors
from station.errors import LedgerFull
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of
from web.format import place
from web.request import MAX_WAITING

GOOD = {
    "person": "Bo Invented",
    "job": "daily_check",
    "place": place("Hand tool 1", "blue"),
    "connector": "butt-splice-red",
    "wire": "18 AWG",
    "wire2": "",
    "material": "copper",
    "limit_set": "",
}


def test_form_starts_a_sample(client: FlaskClient, bench: BenchAtHand, token: str) -> None:
    answer = client.post("/bench", data=GOOD | {"csrf_token": token})
    assert (answer.status_code, answer.location) == (303, "/bench")
    bench.until(Stage.CLIP_ON)
    assert bench.board.state.order == replace(order_of("Bo Invented", "blue"), checklist={})
    assert "clips are on" in client.get("/bench").text


def test_a_sample_of_another_nest_starts_with_what_that_nest_makes(
    client: FlaskClient, bench: BenchAtHand
) -> None:
    before = order_of("Bo Invented", "blue")
    ring = before.joint.model_copy(update={"connector": "ring-red", "wires": ("22 AWG",)})
    bench.board.show(stage=Stage.DONE, order=replace(before, joint=ring))

    def described(nest: str) -> tuple[str, list[str]]:
        asked = {"place": place("Hand tool 1", nest)}
        page = client.get("/bench", query_string=asked).text
        form = page.split('id="describe"')[1]
        joints = r'value="(ring-red|butt-splice-red|\d+ AWG)"[^>]* selected'
        return page, re.findall(joints, form)

    assert described("blue")[1] == ["ring-red", "22 AWG"]
    # Another nest: what it made last itself, and nothing where it never made any.
    other, chosen = described("yellow")
    assert chosen == ["butt-splice-red", "18 AWG"]
    assert f'value="{escape(place("Hand tool 1", "yellow"))}" selected' in other
    assert described("never used")[1] == []
    assert 'href="#describe"' in other
    assert "Next sample of this joint" not in other
    assert "Next sample of this joint" in client.get("/bench").text


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"person": " "}, "Fill in the person"),
        ({"person": "x" * 201}, "Shorten the person"),
        ({"job": "lunch"}, "is not a job"),
        ({"place": "not a place"}, "choose them from the list"),
        ({"place": ""}, "Fill in the tool"),
        ({"connector": "no-such"}, "There is no connector"),
        ({"connector": ""}, "Fill in the connector"),
        ({"wire": "10 AWG"}, "is not made for 10 AWG"),
        ({"wire": "rope"}, "is not a wire size"),
        ({"wire2": "12 AWG"}, "is not made for 12 AWG"),
        ({"material": "gold"}, "is not a material"),
        ({"limit_set": "no-such"}, "There is no limit set"),
    ],
)
def test_form_comes_back_with_what_is_wrong(
    client: FlaskClient, bench: BenchAtHand, token: str, wrong: dict[str, str], sentence: str
) -> None:
    answer = client.post("/bench", data=GOOD | wrong | {"csrf_token": token})
    assert answer.status_code == 400
    assert sentence in answer.text
    assert bench.board.state.stage is Stage.IDLE


def test_a_shops_own_connector_is_offered_and_shown(
    client: FlaskClient, bench: BenchAtHand, token: str, tmp_path: Path
) -> None:
    text = """
        id = "drawer-ring"
        title = "Ring from the drawer"
        family = "ring"
        accepts = ["SAE 18"]
        source = "invented"
        standing = "shop"
    """
    (tmp_path / "drawer-ring.toml").write_text(text, encoding="utf-8")
    bench.connectors = load_connectors(tmp_path)
    for page in ("/bench", "/connectors"):
        assert "Ring from the drawer" in client.get(page).text
    own = GOOD | {"connector": "drawer-ring", "wire": "SAE 18", "limit_set": "ul-486a-1991"}
    answer = client.post("/bench", data=own | {"csrf_token": token})
    assert "SAE 18" in answer.text, "no limit of that set, but the joint was understood"
    assert "is not made for" not in answer.text


def test_form_keeps_what_was_filled_in(client: FlaskClient, token: str) -> None:
    data = GOOD | {"csrf_token": token, "wire": "12 AWG"}
    text = client.post("/bench", data=data).text
    assert '<option value="Bo Invented" selected>' in text
    assert '<option value="12 AWG" selected>' in text


def test_busy_bench_refuses_a_second_sample(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.clip(order_of("Ann Example", "red"))
    answer = client.post("/bench", data=GOOD | {"csrf_token": token})
    assert answer.status_code == 400
    assert bench.board.state.order == order_of("Ann Example", "red")


def test_link_from_another_page_fills_the_form(client: FlaskClient) -> None:
    query = {"place": place("Bench tool 2", "16/14"), "job": "certification"}
    text = client.get("/bench", query_string=query).text
    assert "selected>Bench tool 2, nest 16/14" in text
    assert '<option value="certification" selected>' in text


def test_form_starts_with_the_sample_before(client: FlaskClient, bench: BenchAtHand) -> None:
    bench.clip(order_of("Ann Example", "red"))
    bench.give_up("enough")
    text = client.get("/bench").text
    assert '<option value="Ann Example" selected>' in text
    assert "selected>Hand tool 1, nest red" in text


def test_shop_without_records_writes_names_by_hand(empty_client: FlaskClient) -> None:
    text = empty_client.get("/bench").text
    for name in ("person", "tool", "nest"):
        assert f'<input name="{name}"' in text


def test_buttons_lead_to_the_verdict(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    data = {"csrf_token": token}
    bench.clip(order_of("Bo Invented", "blue"))
    for following in (Stage.GRIP, Stage.NAME_FAILURE):
        assert client.post("/bench/confirm", data=data).location == "/bench"
        bench.until(following)
    answer = client.post("/bench/failure", data=data | {"mode": "broke_at_edge"})
    assert answer.status_code == 303
    bench.until(Stage.DONE)
    row = records.sample(bench.board.state.sample_id or "")
    assert row is not None
    assert (row.verdict, row.failure_mode) == ("pass", "broke_at_edge")
    text = client.get("/bench").text
    assert "53.00 N (11.91 lbf) above its limit" in text
    assert "New sample" in text


def test_a_critical_look_answered_with_no_fails_what_every_limit_passes(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    data = {"csrf_token": token}
    looks = {"sleeve-whole": False, "centred": True}
    bench.clip(replace(order_of("Bo Invented", "blue"), checklist=looks))
    for following in (Stage.GRIP, Stage.NAME_FAILURE):
        assert client.post("/bench/confirm", data=data).location == "/bench"
        bench.until(following)
    client.post("/bench/failure", data=data | {"mode": "broke_at_edge"})
    bench.until(Stage.DONE)
    row = records.sample(bench.board.state.sample_id or "")
    assert row is not None
    assert row.verdict == "fail"
    said = "Failed by a look: Is the sleeve whole, not cut through by the crimp? No."
    assert said in client.get("/bench").text
    assert said in client.get(f"/samples/{row.sample_id}").text


def test_giving_up_voids_with_the_reason(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    bench.clip(order_of("Bo Invented", "blue"))
    bench.grip()
    data = {"csrf_token": token, "reason": "clip broke"}
    assert client.post("/bench/abandon", data=data).status_code == 303
    bench.until(Stage.DONE)
    row = records.sample(bench.board.state.sample_id or "")
    assert row is not None
    assert (row.verdict, row.void_reason) == ("void", "given up by the operator: clip broke")


@pytest.mark.parametrize("path", ["/bench/confirm", "/bench/abandon", "/bench/failure"])
def test_button_out_of_turn_is_refused(client: FlaskClient, token: str, path: str) -> None:
    data = {"csrf_token": token, "reason": "r", "mode": "drawn_out"}
    answer = client.post(path, data=data)
    assert answer.status_code == 400
    assert "not waiting for that" in answer.text


def test_cautions_stand_where_a_person_acts(client: FlaskClient, bench: BenchAtHand) -> None:
    assert "Battery disconnected and circuit dead" in client.get("/bench").text
    bench.clip(order_of("Bo Invented", "blue"))
    bench.board.show(stage=Stage.GRIP)
    text = client.get("/bench").text
    for words in ("Eye protection on", "Nobody in line", "not a safety function"):
        assert words in text


def test_state_answers_at_once_when_it_has_news(client: FlaskClient, bench: BenchAtHand) -> None:
    before = bench.board.state.version
    bench.board.show(stage=Stage.PULLING, force_n=100.0, peak_n=111.2)
    answer = client.get(f"/bench/state?beyond={before}")
    state = answer.get_json()
    assert (state["version"], state["stage"]) == (before + 1, "pulling")
    assert state["texts"]["force"] == "100.0 N (22.5 lbf)"
    assert state["texts"]["peak"] == "111.2 N (25.0 lbf)"
    assert answer.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("query", ["", "?beyond=", "?beyond=x", "?beyond=57", "?beyond=-1"])
def test_state_never_waits_for_a_version_that_is_not_its_own(
    client: FlaskClient, bench: BenchAtHand, query: str
) -> None:
    version = bench.board.state.version
    assert client.get(f"/bench/state{query}").get_json()["version"] == version


def test_state_waits_for_news(app: Flask, bench: BenchAtHand) -> None:
    answers: list[int] = []
    before = bench.board.state.version

    def ask() -> None:
        asked = app.test_client().get(f"/bench/state?beyond={before}")
        answers.append(asked.get_json()["version"])

    waiting = threading.Thread(target=ask)
    waiting.start()
    bench.board.show(stage=Stage.READING)
    waiting.join(timeout=30.0)
    assert answers == [before + 1]


def test_state_does_not_wait_where_enough_others_do(
    app: Flask, client: FlaskClient, bench: BenchAtHand
) -> None:
    version = bench.board.state.version
    waiting = app.extensions["station"].waiting
    for _ in range(MAX_WAITING):
        assert waiting.acquire(blocking=False)
    assert client.get(f"/bench/state?beyond={version}").get_json()["version"] == version


def test_page_without_script_looks_again_only_while_a_sample_is_under_way(
    client: FlaskClient, bench: BenchAtHand
) -> None:
    # Loading again would wipe a form that is being filled in.
    assert 'http-equiv="refresh"' not in client.get("/bench").text
    bench.clip(order_of("Bo Invented", "blue"))
    assert 'http-equiv="refresh"' in client.get("/bench").text


def test_a_sample_that_is_not_saved_is_said_on_every_page_and_saved_by_a_button(
    client: FlaskClient, bench: BenchAtHand, token: str, ledger: Ledger,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    bench.clip(order_of("Bo Invented", "blue"))
    bench.grip()
    bench.pull()
    full = LedgerFull("The ledger has no room left on its disk: free space.")
    with monkeypatch.context() as patch:
        patch.setattr(ledger, "append", Mock(side_effect=full))
        bench.name_failure("drawn_out")
        bench.until(Stage.IDLE)
        for page in ("/", "/bench", "/samples", "/tools"):
            assert "is in memory only. The ledger has no room" in client.get(page).text
        state = client.get("/bench/state").get_json()
        assert state["texts"]["unsaved"].startswith("NOT SAVED")
        assert client.post("/bench/save", data={"csrf_token": token}).status_code == 303
        assert "NOT SAVED" in client.get("/bench").text
    assert client.post("/bench/save", data={"csrf_token": token}).status_code == 303
    assert "NOT SAVED" not in client.get("/bench").text


def test_a_proof_pull_of_a_chosen_wire_says_what_to_hold_for_how_long(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    asked = {"pull_wire": "first", "hold": "yes", "csrf_token": token}
    client.post("/bench", data=GOOD | asked)
    bench.until(Stage.CLIP_ON)
    bench.grip()
    page = client.get("/bench").text
    assert "wire 1 (18 AWG)" in page
    # 20 lbf with guard band and room for ripple; a minute, and what clocks may differ by.
    assert re.search(r"at least 90\.\d+ N \(20\.\d+ lbf\), 62 s left", page)
    assert re.search(r"89\.0 N \(20(\.0+)? lbf\) for 18 AWG", page)
    bench.confirm()
    bench.until(Stage.DONE)
    sample = client.get(f"/samples/{bench.board.state.sample_id}").text
    assert "Pull force of wire 1 (18 AWG)" in sample
    assert re.search(r"held for 1(\.\d)? s", sample)
    assert "It was not held for as long as the limit asks." in sample
    assert "held for 1" in client.get("/samples").text


def test_the_other_wire_is_pulled_too_where_that_is_asked_for(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    assert client.post("/bench/next", data={"csrf_token": token}).status_code == 400
    bench.clip(order_of("Bo Invented", "blue"))
    bench.grip()
    page = client.get("/bench").text
    assert 'Then pull this too:&nbsp;<span class="said">wire 2 (18 AWG)' in page
    bench.pull()
    client.post("/bench/next", data={"csrf_token": token})
    assert "wire 2 (18 AWG)" in client.get("/bench/state").get_json()["texts"]["chosen"]
    bench.name_failure("drawn_out")
    bench.until(Stage.GRIP)
    assert client.get("/bench/state").get_json()["texts"]["wire"] == "wire 2 (18 AWG)"
    bench.pull()
    bench.name_failure("broke_in_wire")
    bench.until(Stage.DONE)
    sample = client.get(f"/samples/{bench.board.state.sample_id}").text
    assert sample.count("Pull in numbers") == 2
    assert "Pull force of wire 1 (18 AWG)" in sample
    assert "Pull force of wire 2 (18 AWG)" in sample


def test_a_pull_that_is_stopped_after_it_let_go_shows_nothing(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.clip(order_of("Bo Invented", "blue"))
    bench.grip()
    bench.bay.gate.clear()
    bench.confirm()
    bench.until(Stage.PULLING)
    assert "Stop: it held at least this" in client.get("/bench").text
    client.post("/bench/enough", data={"csrf_token": token})
    bench.until(Stage.DONE)
    outcome = bench.board.state.outcome
    assert outcome is not None
    assert (outcome.verdict, outcome.void_by, outcome.pull) == ("void", "person", None)
