"""Photos of samples on the page: off by default, bounded, harmless, on sample and paper."""

import hashlib
import re
from io import BytesIO

import pytest
from flask import Flask
from flask.testing import FlaskClient
from playwright.sync_api import Page, expect

from station.ledger.photos import photos_of
from station.ledger.reader import LedgerReader
from station.settings import ANY_ADDRESS, DoorSettings, PhotoSettings, Settings
from station.shop.photos import MOST_SENT_BYTES, cleaned
from tests.station.shop.pictures import from_a_phone, picture
from tests.web.accessibility import faults
from tests.web.at_port import at_port
from tests.web.benches import BenchAtHand
from tests.web.test_raw import ask
from tests.web.visitor import ELSEWHERE, Visitor

ON = Settings(photos=PhotoSettings(keep_megabytes=5))


@pytest.fixture
def failed(records: LedgerReader) -> str:
    return next(row.sample_id for row in records.samples() if row.verdict == "fail")


@pytest.fixture
def photos_on(bench: BenchAtHand) -> None:
    bench.settings = ON


def send(visitor: Visitor, sample_id: str, file: bytes, **changes: str) -> tuple[int, str]:
    """The status of the answer, and what it says or where it leads."""
    form = {"person": "Ann Example", "photo": (BytesIO(file), "a.jpg"), **changes}
    answer = visitor.post(f"/samples/{sample_id}/photos", **form)
    said = re.search(r'<p class="problem"[^>]*>(.*?)</p>', answer.text, re.DOTALL)
    return answer.status_code, said[1] if said else answer.headers.get("Location", answer.text)


def too_large(visitor: Visitor, sample_id: str, size: int) -> tuple[int, str]:
    """Send so many bytes of no form at all: they are refused before anybody looks."""
    form = {"data": bytes(size), "content_type": "multipart/form-data; boundary=x"}
    answer = visitor.client.post(
        f"/samples/{sample_id}/photos", environ_base=visitor.came_from, **form
    )
    return answer.status_code, answer.text


def test_off_it_asks_nothing_and_takes_nothing(
    visitor: Visitor, records: LedgerReader, failed: str
) -> None:
    answer = visitor.get(f"/samples/{failed}")
    assert "camera=()" in answer.headers["Permissions-Policy"]
    page = answer.text
    assert "Photo" not in page
    assert "camera.js" not in page
    assert 'type="file"' not in page
    status, said = send(visitor, failed, picture())
    assert status == 400
    assert "Photos are off" in said
    # Off, no request is larger than before.
    assert too_large(visitor, failed, 100_000)[0] == 413
    assert photos_of(records, [failed]) == []


@pytest.mark.usefixtures("photos_on")
def test_a_photo_is_shown_and_holds_nothing_else(
    visitor: Visitor, records: LedgerReader, failed: str
) -> None:
    sent = from_a_phone()
    # A second click sends the same once more.
    for _ in range(2):
        assert send(visitor, failed, sent) == (303, f"/samples/{failed}")
    (photo,) = photos_of(records, [failed])
    page = visitor.get(f"/samples/{failed}").text
    path = f"/samples/{failed}/photos/{photo.sha256}.jpg"
    assert f'<img src="{path}?small=1" alt="Photo of' in page
    answer = visitor.get(path)
    assert answer.mimetype == "image/jpeg"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.data == cleaned(sent)
    assert hashlib.sha256(answer.data).hexdigest() == photo.sha256
    assert visitor.get(f"{path}?small=1").mimetype == "image/jpeg"


@pytest.mark.usefixtures("photos_on")
@pytest.mark.parametrize(
    ("file", "status", "says"),
    [
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>", 400, "no photo"),
        (b"<!doctype html><script>alert(1)</script>", 400, "no photo"),
        (b"", 400, "no photo"),
    ],
)
def test_what_is_no_photo_is_told_in_a_sentence(
    visitor: Visitor, records: LedgerReader, failed: str, file: bytes, status: int, says: str
) -> None:
    before = records.head()
    answered, said = send(visitor, failed, file)
    assert (answered, says in said) == (status, True)
    assert records.head() == before


@pytest.mark.usefixtures("photos_on")
def test_more_than_a_photo_is_told_in_a_sentence(visitor: Visitor, failed: str) -> None:
    status, said = too_large(visitor, failed, MOST_SENT_BYTES + 1)
    assert status == 413
    assert "more than the page takes at once: send less" in said
    # Only a photo is so large.
    answer = visitor.client.post("/lots", data=bytes(100_000), content_type="multipart/form-data")
    assert answer.status_code == 413


@pytest.mark.usefixtures("photos_on")
def test_only_who_may_measure_sends_one(visitor: Visitor, failed: str) -> None:
    status, said = send(visitor, failed, picture(), person="Eve Invented")
    assert status == 400
    assert "is not on record" in said
    assert send(visitor, "none", picture())[0] == 404
    assert visitor.post(f"/samples/{failed}/photos", person="Ann Example").status_code == 400
    for name in ("0" * 64, "a", "..%2f"):
        assert visitor.get(f"/samples/{failed}/photos/{name}.jpg").status_code == 404


def test_a_stranger_on_the_network_sends_no_large_request(
    app: Flask, bench: BenchAtHand, failed: str
) -> None:
    bench.settings = Settings(
        host=ANY_ADDRESS, doors=DoorSettings(hosts=("bench.example",)), photos=ON.photos
    )
    stranger = Visitor(app, ELSEWHERE)
    assert too_large(stranger, failed, 1_000_000)[0] == 413
    assert send(stranger, failed, picture())[0] == 401


@pytest.mark.usefixtures("photos_on")
def test_a_hundred_megabytes_are_refused_before_they_are_read(app: Flask, failed: str) -> None:
    head = f"POST /samples/{failed}/photos HTTP/1.1\r\nHost: localhost\r\nContent-Length: "
    with at_port(app) as (port, _server):
        answer = ask(port, head.encode() + b"100000000\r\n\r\nphoto")
    assert answer.startswith(b"HTTP/1.1 413 ")


def test_a_trace_is_no_photo(client: FlaskClient, records: LedgerReader) -> None:
    row = next(row for row in records.samples() if row.trace_sha256)
    path = f"/samples/{row.sample_id}/photos/{row.trace_sha256}.jpg"
    assert client.get(path).status_code == 404


INVENTED_CAMERA = """navigator.mediaDevices.getUserMedia = async () => {
  const canvas = document.createElement("canvas");
  canvas.width = 320;
  canvas.height = 200;
  const paint = canvas.getContext("2d");
  setInterval(() => paint.fillRect(0, 0, 320, 200), 20);
  return canvas.captureStream();
};"""


@pytest.mark.usefixtures("photos_on")
def test_the_camera_at_the_bench_sends_a_still(
    page: Page, address: str, failed: str, records: LedgerReader
) -> None:
    page.add_init_script(INVENTED_CAMERA)
    answer = page.goto(f"{address}/samples/{failed}")
    assert answer is not None
    assert "camera=(self)" in answer.headers["permissions-policy"]
    page.locator("form[enctype] select").select_option("Ann Example")
    camera = page.get_by_role("button", name="Camera at the bench")
    camera.click()
    expect(page.locator("#seen")).to_have_js_property("videoWidth", 320)
    camera.click()
    shown = page.get_by_role("img", name=re.compile("Photo of .* by Ann Example"))
    expect(shown).to_have_js_property("naturalWidth", 240)
    (photo,) = photos_of(records, [failed])
    assert photo.person == "Ann Example"


@pytest.mark.usefixtures("photos_on")
def test_a_photo_is_put_on_record_by_hand(page: Page, address: str, failed: str) -> None:
    page.goto(f"{address}/samples/{failed}")
    page.get_by_label("The pulled end").set_input_files(
        {"name": "a.png", "mimeType": "image/png", "buffer": picture("PNG", (400, 300))}
    )
    page.locator("form[enctype] select").select_option("Ann Example")
    page.get_by_role("button", name="Put the photo on record").click()
    shown = page.get_by_role("img", name=re.compile("Photo of .* by Ann Example"))
    expect(shown).to_have_js_property("naturalWidth", 240)
    assert faults(page) == []
