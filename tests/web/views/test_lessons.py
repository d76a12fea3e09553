"""The page of lessons: bad beside good, filtered, with what can be seen of both."""

import gzip
import re

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Page, expect

from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.photos import keep_photo
from tests.station.shop.pictures import picture
from tests.web.accessibility import faults
from tests.web.invented import NOW, write_sample


@pytest.fixture
def failed(records: LedgerReader) -> str:
    return next(row.sample_id for row in records.samples() if row.verdict == "fail")


def test_a_bad_one_stands_beside_a_good_one(
    client: FlaskClient, ledger: Ledger, records: LedgerReader, failed: str
) -> None:
    assert "No sample of this joint has passed yet" in client.get("/lessons").text
    write_sample(ledger, "yellow", 1.6, 0.0, NOW)
    page = client.get("/lessons").text
    found = re.findall(r'<a href="/samples/([^"/]+)">', page)
    assert found[0] == failed
    bad, good = (records.sample(sample_id) for sample_id in found)
    assert bad is not None
    assert good is not None
    assert (good.joint_key, good.verdict) == (bad.joint_key, "pass")
    assert [f'src="/samples/{one}/trace.svg"' in page for one in found] == [True, True]
    assert "/photos/" not in page
    assert page.count("Limit") >= 2


def test_its_photo_is_shown(client: FlaskClient, ledger: Ledger, failed: str) -> None:
    row = ledger.reader.sample(failed)
    assert row is not None
    keep_photo(ledger, row, picture(), "Ann Example", 5)
    page = client.get("/lessons").text
    (path,) = re.findall(r'src="(/samples/[^"]+\.jpg\?small=1)"', page)
    assert client.get(path).mimetype == "image/jpeg"


def test_fault_and_family_filter(client: FlaskClient, failed: str) -> None:
    page = client.get("/lessons").text
    offered = re.findall(r'<select name="fault">(.*?)</select>', page, re.DOTALL)[0]
    names = [name for name in re.findall(r'value="([^"]*)"', offered) if name]
    assert names
    for name in names:
        assert failed in client.get("/lessons", query_string={"fault": name}).text
    for query in ({"fault": "none-such"}, {"family": "none-such"}, {"begin": "99"}):
        answer = client.get("/lessons", query_string=query)
        assert answer.status_code == 200
        assert "No sample fits." in answer.text


def test_more_and_people_lead_there(client: FlaskClient) -> None:
    for path in ("/more", "/people"):
        assert 'href="/lessons"' in client.get(path).text


def test_a_full_page_is_three_screens_of_the_bench(
    page: Page, address: str, ledger: Ledger
) -> None:
    write_sample(ledger, "yellow", 1.6, 0.0, NOW)
    for _ in range(4):
        write_sample(ledger, "yellow", 0.8, 0.0, NOW)
    for grey, row in enumerate(ledger.reader.samples("Hand tool 1", "yellow")):
        keep_photo(ledger, row, picture(size=(400, 300), grey=10 * grey), "Ann Example", 5)
    page.set_viewport_size({"width": 800, "height": 480})
    page.goto(f"{address}/lessons")
    expect(page.locator(".lesson")).to_have_count(6)
    expect(page.get_by_role("img", name="Photo of")).to_have_count(6)
    for image in page.locator(".lesson img").all():
        # They load once they are looked at.
        image.scroll_into_view_if_needed()
        expect(image).not_to_have_js_property("naturalWidth", 0)
    assert page.evaluate("document.documentElement.scrollHeight / innerHeight") <= 3.0
    assert len(gzip.compress(page.content().encode())) <= 100_000
    assert faults(page) == []
    page.get_by_role("link", name="Older lessons").click()
    expect(page.locator(".lesson")).to_have_count(4)
