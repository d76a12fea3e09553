"""Units as the reader thinks, remembered by the browser and for who signs in."""

from flask.testing import FlaskClient

from station.ledger.entries import PersonPrefers
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from web import format as shown
from web.preferences import on_record


def test_force_in_the_readers_unit_first(client: FlaskClient, token: str) -> None:
    sample = "/tools/Hand%20tool%201/red"
    assert " N (" in client.get(sample).text
    answer = client.post(
        "/choices", data={"csrf_token": token, "force": "lbf", "next": "/tools/Hand tool 1/red"}
    )
    assert (answer.status_code, answer.location) == (303, sample)
    page = client.get(sample).text
    assert " lbf (" in page
    assert " N (" not in page
    client.post("/choices", data={"csrf_token": token, "force": "N"})
    assert " N (" in client.get(sample).text


def test_wire_with_its_area() -> None:
    # 18 AWG is 0.823 mm2: formula of ASTM B258 [calc].
    before = shown.units.set(shown.Units(wire="area"))
    assert shown.wires(["18 AWG", "0.75 mm2"]) == "18 AWG (0.823 mm²) + 0.75 mm2"
    shown.units.reset(before)
    assert shown.wires(["18 AWG"]) == "18 AWG"


def test_what_is_not_on_offer_is_refused(client: FlaskClient, token: str) -> None:
    for form in ({"force": "stone"}, {"wire": ""}, {}):
        answer = client.post("/choices", data=form | {"csrf_token": token})
        assert answer.status_code == 400
        assert "foot of the page" in answer.text


def test_the_latest_choice_of_each_kind_is_a_persons(ledger: Ledger, records: LedgerReader) -> None:
    for made in ({"force": "lbf", "wire": "area"}, {"force": "N"}, {"hat": "red"}):
        ledger.append(PersonPrefers(name="Bo Invented", choices=made), person="Bo Invented")
    assert on_record(records, "Bo Invented") == {"force": "N", "wire": "area"}
    assert on_record(records, "Nobody") == {}
