"""Calibrations and checks entered on the page."""

import html
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.datastructures import MultiDict

from station.errors import InstrumentSilent
from station.ledger.entries import InstrumentCalibrated, InstrumentChecked, WorkDone
from station.ledger.store import Ledger
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE
from tests.web.visitor import Visitor

APPRENTICE = "Bo Invented"
METER, TESTER = "Invented meter", "Invented tester"
CHECK = {
    "role": "meter", "instrument": METER, "kind": "resistor", "standard": "R-1", "expected": "1",
    "limit": "0.01", "readings": "1.001 1.002; 0.999", "person": APPRENTICE, "how": "typed",
}  # fmt: skip
CERTIFICATE = {
    "instrument": METER, "certificate": "C-9", "calibrated_by": "an invented laboratory",
    "calibrated_on": "2031-01-10", "due_on": "2032-01-10", "reference": "R-1 to R-4",
    "temperature_c": "21", "drift_percent": "0.05", "how": "enter",
}  # fmt: skip


def points(series: str, rows: list[tuple[str, str, str, str]]) -> list[tuple[str, str]]:
    names = ("standard", "reference", "u", "reading")
    return [
        (f"{series}_{name}", value) for row in rows for name, value in zip(names, row, strict=True)
    ]


METER_POINTS = [("", str(r), str(r * 1e-4), str(r * 1.002)) for r in (0.1, 1.0, 2.0, 10.0)]
EMPTY = [("", "", "", "")]


def calibration(
    role: str,
    found: list[tuple[str, str, str, str]],
    **changes: str,
) -> MultiDict[str, str]:
    facts = CERTIFICATE | {"role": role} | changes
    return MultiDict([*facts.items(), *points("found", found), *points("left", EMPTY)])


def post(client: FlaskClient, page: str, token: str, form: Any) -> tuple[int, str]:
    data = MultiDict(form)
    data["csrf_token"] = token
    answer = client.post(f"/instruments/{page}", data=data, follow_redirects=True)
    return answer.status_code, html.unescape(answer.text)


def entries(ledger: Ledger, kind: str) -> list[Any]:
    return [entry.payload for entry in ledger.reader.entries(kind=kind)]


def test_a_check_is_judged_recorded_and_shown(
    client: FlaskClient, ledger: Ledger, token: str
) -> None:
    status, text = post(client, "check", token, CHECK)
    assert status == 200
    assert "Check resistor R-1: passed" in text
    (kept,) = entries(ledger, InstrumentChecked.KIND)
    assert kept.value == pytest.approx((1.001e-3 + 1.002e-3 + 0.999e-3) / 3)
    assert kept.readings == pytest.approx((1.001e-3, 1.002e-3, 0.999e-3))
    assert (kept.expected, kept.limit) == pytest.approx((1e-3, 1e-5))


def test_a_failed_check_leads_to_looking_back(
    client: FlaskClient, ledger: Ledger, token: str
) -> None:
    status, text = post(client, "check", token, CHECK | {"readings": "1.02"})
    assert status == 200
    assert "Check resistor R-1: failed" in text
    assert "What did it measure since it was good?" in text
    back = client.get("/instruments/look-back", query_string={"instrument": METER})
    assert "0 samples since the beginning" in html.unescape(back.text)
    assert client.get("/instruments/look-back?instrument=nobody").status_code == 400


def test_the_bench_reads_the_instrument_itself(
    client: FlaskClient, ledger: Ledger, bench: BenchAtHand, token: str
) -> None:
    form = CHECK | {"how": "read", "readings": "", "instrument": "Invented meter"}
    bench.bay.ohm = 1.001e-3
    assert post(client, "check", token, form)[0] == 200
    (kept,) = entries(ledger, InstrumentChecked.KIND)
    assert kept.readings == pytest.approx((1.001e-3,) * 5)
    status, text = post(client, "check", token, form | {"instrument": "another meter"})
    assert status == 400
    assert "The bench's meter is Invented meter" in text
    bench.bay.problem = InstrumentSilent("The milliohm meter does not answer: switch it on.")
    status, text = post(client, "check", token, form)
    assert status == 503
    assert "does not answer" in text
    assert len(entries(ledger, InstrumentChecked.KIND)) == 1


def test_a_zero_and_a_weight(client: FlaskClient, ledger: Ledger, token: str) -> None:
    zero = CHECK | {"kind": "zero", "standard": "", "expected": "", "readings": "0.002"}
    assert post(client, "check", token, zero)[0] == 200
    weight = CHECK | {
        "role": "tester", "instrument": TESTER, "kind": "weight", "standard": "W-5",
        "expected": "49.02", "limit": "0.5", "readings": "49.1",
    }  # fmt: skip
    assert post(client, "check", token, weight)[0] == 200
    found = entries(ledger, InstrumentChecked.KIND)
    assert [(item.check, item.expected) for item in found] == [("zero", 0.0), ("weight", 49.02)]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"readings": ""}, "Fill in the readings"),
        ({"readings": "1,001"}, "with a point, not a comma"),
        ({"readings": "nan"}, "every reading as a number"),
        ({"expected": ""}, "no record of a standard 'R-1'"),
        ({"limit": "0"}, "cannot be judged"),
        ({"limit": "0.2"}, "Allow less"),
        ({"limit": ""}, "how far off"),
        ({"kind": "weight"}, "Choose what it is checked with: zero, check resistor, check wire"),
        ({"standard": ""}, "Fill in which check resistor"),
        ({"role": "watch"}, "Say whether"),
        ({"person": "Nobody"}, "Nobody is not on record"),
        ({"person": ""}, "Fill in the person"),
        ({"instrument": ""}, "Fill in the instrument"),
        ({"readings": "1 " * 60}, "too many"),
    ],
)
def test_a_bad_check_is_refused_and_its_form_kept(
    client: FlaskClient, ledger: Ledger, token: str, change: dict[str, str], says: str
) -> None:
    status, text = post(client, "check", token, CHECK | change)
    assert status == 400
    assert says in text
    if "kind" in change:
        assert "1 of 2: with what?" in text
    elif change.get("role") != "watch":
        assert 'value="0.01"' in text or "limit" in change
    assert entries(ledger, InstrumentChecked.KIND) == []


@pytest.mark.parametrize("asked", ["check", "calibrate", "check?role=watch", "calibrate?role="])
def test_an_address_without_its_instrument_leads_to_them_all(
    client: FlaskClient, asked: str
) -> None:
    answer = client.get(f"/instruments/{asked}", follow_redirects=True)
    assert answer.status_code == 200
    assert [one.status_code for one in answer.history] == [303]
    assert answer.request.path == "/instruments"


def test_what_it_is_checked_with_is_chosen_first(client: FlaskClient) -> None:
    page = client.get("/instruments/check", query_string={"role": "meter"}).text
    assert "Record the readings" not in page
    for what in ("Zero", "Another check resistor", "Another check wire"):
        assert re.search(rf'<a class="button quiet" href="[^"]*">{what}</a>', page)
    zero = client.get("/instruments/check?role=meter&kind=zero").text
    assert "Record the readings" in zero
    # A zero has no standard, no temperature, and should read nothing.
    assert not {"standard", "expected", "temperature_c"} & set(re.findall('name="([^"]+)"', zero))


def test_the_form_starts_with_the_last_check_of_its_series(client: FlaskClient, token: str) -> None:
    post(client, "check", token, CHECK)
    asked = {"role": "meter", "instrument": METER, "kind": "resistor", "standard": "R-1"}
    text = client.get("/instruments/check", query_string=asked).text
    assert 'name="expected" type="text" value="1"' in text
    assert 'name="limit" type="text" value="0.01"' in text
    assert "Hung weights fall" not in text
    assert "airbag" in text


def test_a_meter_is_calibrated(lead: Visitor, ledger: Ledger) -> None:
    status, text = post(lead.client, "calibrate", lead.token(), calibration("meter", METER_POINTS))
    assert status == 200
    assert "Calibration C-9: accepted" in text
    assert "reading = 1.002 × value" in text
    assert "+0.200 %" in text
    (kept,) = entries(ledger, InstrumentCalibrated.KIND)
    assert kept.due_on == date(2032, 1, 10)
    assert kept.drift_fraction == pytest.approx(5e-4)
    assert [point.reference for point in kept.as_found] == pytest.approx([1e-4, 1e-3, 2e-3, 1e-2])
    assert kept.as_left == ()
    assert "Milliohm meter: Valid" in lead.get("/instruments").text


def test_only_a_lead_enters_calibrations(apprentice: Visitor, ledger: Ledger) -> None:
    form = calibration("meter", METER_POINTS)
    status, text = post(apprentice.client, "calibrate", apprentice.token(), form)
    assert status == 403
    assert "a lead must do that" in text
    page = apprentice.get("/instruments/calibrate?role=meter").text
    assert "Calibrations are entered by a lead" in page
    assert entries(ledger, InstrumentCalibrated.KIND) == []


def test_nobody_enters_calibrations_without_signing_in(visitor: Visitor, ledger: Ledger) -> None:
    data = MultiDict(calibration("meter", METER_POINTS))
    data["csrf_token"] = visitor.token()
    assert visitor.client.post("/instruments/calibrate", data=data).status_code == 401
    assert entries(ledger, InstrumentCalibrated.KIND) == []


def test_a_tester_that_misses_its_class_is_refused_and_on_record(
    lead: Visitor, ledger: Ledger
) -> None:
    # ISO 7500-1:2018, class limits of the indication error [seen-1].
    found = [("", str(f), "", str(f * 1.006)) for f in (20, 40, 60, 80, 100) for _ in range(3)]
    tester = {
        "instrument": TESTER, "resolution_n": "0.02", "zero_n": "0", "scheme": "iso-7500-1-2018",
    }  # fmt: skip
    form = calibration("tester", found, **tester, class_wanted="0.5")
    assert "Calibration C-9: refused" in post(lead.client, "calibrate", lead.token(), form)[1]
    form = calibration("tester", found, **tester, class_wanted="1")
    text = post(lead.client, "calibrate", lead.token(), form)[1]
    assert "Calibration C-9: accepted" in text
    assert "ISO 7500-1:2018 class 1" in text
    assert [kept.accepted for kept in entries(ledger, InstrumentCalibrated.KIND)] == [False, True]


def test_standards_on_record_give_value_uncertainty_and_due_date(
    lead: Visitor, ledger: Ledger, bench: BenchAtHand, tmp_path: Path
) -> None:
    for count, value in enumerate((1.0, 5.0, 10.0), start=1):
        (tmp_path / f"R-{count}.toml").write_text(
            f'id = "R-{count}"\nkind = "resistor"\ntitle = "r"\ncertificate = "K-{count}"\n'
            f"certified_on = 2029-01-01\ndue_on = 203{count}-01-01\nvalue_mohm = {value}\n"
            f"u_mohm = 0.001\nper_k = 0.0001\n",
            encoding="utf-8",
        )
    bench.settings = bench.settings.model_copy(update={"standards_folder": tmp_path})
    form = lead.get("/instruments/calibrate?role=meter").text
    # The page's day is 2031-03-04.
    assert "The standard R-1 (K-1) was due on 2031-01-01" in form
    rows = [(f"R-{n}", "", "", str(value)) for n, value in ((1, 1.0), (2, 5.0), (3, 10.0))]
    filled = calibration("meter", rows, reference="", temperature_c="30")
    status, text = post(lead.client, "calibrate", lead.token(), filled)
    assert status == 200
    assert "R-1 (certificate K-1, OVERDUE since 2031-01-01)" in text
    (kept,) = entries(ledger, InstrumentCalibrated.KIND)
    assert kept.as_found[1].reference == pytest.approx(5e-3 * 1.001)
    assert kept.as_found[1].u_reference == pytest.approx(
        (1e-6**2 + (5e-3 * 1e-4 * 0.5) ** 2) ** 0.5
    )
    checked = CHECK | {"standard": "R-1", "expected": "", "temperature_c": "30"}
    assert "was due on 2031-01-01" in post(lead.client, "check", lead.token(), checked)[1]
    assert entries(ledger, InstrumentChecked.KIND)[0].expected == pytest.approx(1.001e-3)


@pytest.mark.parametrize(
    ("change", "found", "says"),
    [
        ({"certificate": ""}, METER_POINTS, "certificate number"),
        ({"calibrated_on": "10.1.2031"}, METER_POINTS, "year-month-day"),
        ({"due_on": "2030-01-10"}, METER_POINTS, "check both dates"),
        ({"reference": ""}, METER_POINTS, "standards used"),
        ({"drift_percent": "-1"}, METER_POINTS, "drift"),
        ({"temperature_c": "warm"}, METER_POINTS, "temperature"),
        ({}, METER_POINTS[:2], "make no calibration"),
        ({}, EMPTY, "make no calibration"),
        ({}, [*METER_POINTS, ("", "3", "", "")], "Row 5 as found has no reading"),
        ({}, [*METER_POINTS, ("", "", "", "3")], "has no reference"),
        ({}, [*METER_POINTS, ("R-77", "", "", "3")], "no standard 'R-77'"),
        ({}, [*METER_POINTS, ("", "3", "-1", "3")], "is negative"),
    ],
)
def test_a_bad_calibration_is_refused_and_its_form_kept(
    lead: Visitor,
    ledger: Ledger,
    change: dict[str, str],
    found: list[tuple[str, str, str, str]],
    says: str,
) -> None:
    status, text = post(
        lead.client, "calibrate", lead.token(), calibration("meter", found, **change)
    )
    assert status == 400
    assert says in text
    assert 'value="an invented laboratory"' in text
    assert entries(ledger, InstrumentCalibrated.KIND) == []


def test_more_rows_keep_what_was_typed(lead: Visitor, ledger: Ledger) -> None:
    form = calibration("meter", METER_POINTS, how="more")
    status, text = post(lead.client, "calibrate", lead.token(), form)
    assert status == 200
    assert text.count('name="found_reading"') == 12
    assert 'value="10.02"' in text
    assert entries(ledger, InstrumentCalibrated.KIND) == []


def test_hostile_text_stays_text(lead: Visitor) -> None:
    form = calibration("meter", METER_POINTS, certificate=HOSTILE, calibrated_by=HOSTILE)
    data = MultiDict(form)
    data["csrf_token"] = lead.token()
    answer = lead.client.post("/instruments/calibrate", data=data, follow_redirects=True)
    assert answer.status_code == 200
    assert "<script>document" not in answer.text


def test_procedures_can_be_read_and_nothing_else(client: FlaskClient) -> None:
    for name in ("meter", "tester", "checks", "splice_resistance"):
        assert client.get(f"/instruments/procedure/{name}").status_code == 200
    page = client.get("/instruments/procedure/checks").text
    assert "<table>" in page
    assert "local codes and licensed practice decide" in page
    assert client.get("/instruments/procedure/..%2F..%2Fpyproject").status_code == 404
    assert client.get("/instruments/entry/none").status_code == 404


def test_a_forged_post_is_refused(client: FlaskClient, ledger: Ledger) -> None:
    assert client.post("/instruments/check", data=CHECK).status_code == 400
    assert entries(ledger, InstrumentChecked.KIND) == []


def test_looking_back_lists_work_that_rests_on_a_tool(client: FlaskClient, ledger: Ledger) -> None:
    logged = WorkDone(
        day=date(2031, 3, 4), work_order="W-17 <b>", tool="Hand tool 1", nest="blue", demo=True
    )
    ledger.append(logged, person="Bo Invented")
    text = client.get("/instruments/look-back?tool=Hand tool 1").text
    assert "<title>Looking back · Crimp station</title>" in text
    assert "Work logged since" in text
    assert "2031-03-04: W-17 &lt;b&gt;, Hand tool 1, nest blue" in text
    assert "Baselines set with them" not in text
