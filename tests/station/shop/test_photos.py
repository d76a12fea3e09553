"""Photos: what is taken from a file, what is refused, and which are kept when room runs out."""

import sqlite3
import struct
import zlib
from collections.abc import Callable
from contextlib import closing
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from station.errors import BadInput, LedgerError, LedgerFull
from station.ledger import database
from station.ledger.backup import back_up_ledger, restore_ledger
from station.ledger.chain import Moment
from station.ledger.entries import PhotoDropped, SampleBegun, SampleFinished
from station.ledger.photos import kept_bytes, photos_of, picture_of
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.shop import photos
from station.shop.photos import LONGEST_EDGE, cleaned, keep_photo, small_photos
from tests.station.ledger.test_verify import tampering
from tests.station.shop.pictures import from_a_phone, picture

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

PLENTY_MB = 10
SVG = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'

Make = Callable[[str], SampleRow]


@pytest.fixture
def sample(
    ledger: Ledger, begun: Callable[..., SampleBegun], finished: Callable[..., SampleFinished]
) -> Make:
    def make(verdict: str) -> SampleRow:
        sample_id = ledger.append(begun(), person="Bo").id
        ledger.append(finished(sample_id, verdict=verdict), person="Bo")
        row = ledger.reader.sample(sample_id)
        assert row is not None
        return row

    return make


def kept(reader: LedgerReader, *rows: SampleRow) -> list[bool]:
    return [not one.dropped for one in photos_of(reader, [row.sample_id for row in rows])]


# ---- what is made of a file --------------------------------------------------------------------


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_a_photo_of_any_form_becomes_a_jpeg_file(form: str) -> None:
    with Image.open(BytesIO(cleaned(picture(form)))) as made:
        assert (made.format, made.size, made.mode) == ("JPEG", (64, 40), "RGB")


def test_only_the_picture_stays_and_stands_upright() -> None:
    sent = from_a_phone()
    assert b"INVENTED MAKER" in sent
    made = cleaned(sent)
    for word in (b"INVENTED", b"script", b"Exif", b"http", b"ICC_PROFILE"):
        assert word not in made
    with Image.open(BytesIO(made)) as shown:
        assert not shown.getexif()
        assert shown.size == (40, 64)
        # Turned to the right, the bright patch of the upper left is at the upper right.
        assert shown.convert("L").getpixel((30, 10)) > 200  # type: ignore[operator]
        assert shown.convert("L").getpixel((10, 10)) < 120  # type: ignore[operator]


def test_a_large_photo_is_made_smaller() -> None:
    with Image.open(BytesIO(cleaned(picture(size=(3000, 1000))))) as made:
        assert made.size == (LONGEST_EDGE, 533)


def test_what_hangs_on_behind_is_gone() -> None:
    assert cleaned(picture() + b"<html><script>alert(1)</script>") == cleaned(picture())


@pytest.mark.parametrize(
    "sent",
    [b"", b"no picture", SVG, b"<html><img></html>", b"%PDF-1.7", picture("GIF"), picture("TIFF"),
     picture("BMP"), picture()[:300], picture("PNG")[:60], b"GIF89a" + SVG],
)  # fmt: skip
def test_what_is_no_photo_is_refused(sent: bytes) -> None:
    with pytest.raises(
        BadInput, match="no photo that can be read: send a JPEG, PNG or WebP file of at most 50"
    ):
        cleaned(sent)


def png_of(width: int, height: int) -> bytes:
    """A PNG file of few bytes that claims to be this large."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + content))
        return struct.pack(">I", len(content)) + kind + content + check

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = zlib.compress(bytes(1_000_000), 9)
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


# Above our own bound, above the library's warning, above its error.
@pytest.mark.parametrize("edge", [8_000, 12_000, 60_000])
def test_a_bomb_is_refused_before_it_is_unpacked(edge: int) -> None:
    bomb = png_of(edge, edge)
    assert len(bomb) < 2_000
    with pytest.raises(BadInput, match="at most 50 million pixels"):
        cleaned(bomb)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([picture(), picture("PNG"), picture("WEBP"), from_a_phone()]),
    st.lists(st.tuples(st.integers(0, 2000), st.integers(1, 255)), min_size=1, max_size=8),
)
def test_a_broken_file_is_refused_or_becomes_a_jpeg_file(
    sent: bytes, changes: list[tuple[int, int]]
) -> None:
    broken = bytearray(sent)
    for at, change in changes:
        broken[at % len(broken)] ^= change
    try:
        made = cleaned(bytes(broken))
    except BadInput:
        return
    with Image.open(BytesIO(made)) as shown:
        assert shown.format == "JPEG"


# ---- on record ---------------------------------------------------------------------------------


def test_a_photo_is_on_record_once_and_copied_with_it(
    ledger: Ledger, sample: Make, tmp_path: Path, ticking: Callable[[], Moment]
) -> None:
    row = sample("fail")
    for _ in range(2):
        keep_photo(ledger, row, from_a_phone(), "Bo", PLENTY_MB)
    (photo,) = photos_of(ledger.reader, [row.sample_id])
    assert (photo.person, photo.dropped) == ("Bo", False)
    assert picture_of(ledger.reader, photo) == cleaned(from_a_phone())
    assert kept_bytes(ledger.reader) == photo.size_bytes == len(cleaned(from_a_phone()))
    ((of, address),) = small_photos(ledger.reader, [row])
    assert of == row
    assert address.startswith("data:image/jpeg;base64,/9j/")
    with pytest.raises(BadInput, match="on record before: take another"):
        keep_photo(ledger, sample("fail"), from_a_phone(), "Bo", PLENTY_MB)
    back_up_ledger(ledger.path, tmp_path / "backup")
    made = restore_ledger(tmp_path / "backup", tmp_path / "again", now=ticking().at_utc)
    assert made.report.fault is None
    with LedgerReader.open(tmp_path / "again") as again:
        assert picture_of(again, photo) == cleaned(from_a_phone())


def test_a_flipped_byte_of_a_photo_is_found(ledger: Ledger, sample: Make) -> None:
    row = sample("pass")
    keep_photo(ledger, row, picture(), "Bo", PLENTY_MB)
    (photo,) = photos_of(ledger.reader, [row.sample_id])
    with tampering(ledger.path) as connection:
        (data,) = connection.execute("SELECT data FROM trace").fetchone()
        middle = len(data) // 2
        flipped = data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]
        connection.execute("UPDATE trace SET data = ?", (flipped,))
    found = verify_ledger(ledger.path).first_bad
    assert found == f"trace {photo.sha256}: its content does not match its hash"


def test_a_full_disk_loses_no_sample(
    ledger: Ledger, sample: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = sample("fail")
    ledger.close()
    pages = ledger.path.stat().st_size // 4096
    monkeypatch.setattr(
        database, "PRAGMAS", (*database.PRAGMAS, f"PRAGMA max_page_count = {pages + 2}")
    )
    noise = Image.effect_noise((900, 900), 90.0)
    written = BytesIO()
    noise.save(written, "JPEG")
    with Ledger.open(ledger.path) as full:
        with pytest.raises(LedgerFull, match="free space and try again"):
            keep_photo(full, row, written.getvalue(), "Bo", PLENTY_MB)
        assert full.reader.sample(row.sample_id) == row
        assert photos_of(full.reader, [row.sample_id]) == []
    assert verify_ledger(ledger.path).fault is None


# ---- when room runs out ------------------------------------------------------------------------


@pytest.fixture
def tight(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every photo fills a third of a megabyte."""
    monkeypatch.setattr(photos, "cleaned", lambda data: data.ljust(333_000, b"\0"))


@pytest.mark.usefixtures("tight")
def test_the_oldest_of_passed_samples_make_room(ledger: Ledger, sample: Make) -> None:
    rows = [sample(verdict) for verdict in ("fail", "pass", "undecided", "pass", "fail")]
    for number, row in enumerate(rows[:4]):
        keep_photo(ledger, row, b"%d" % number, "Bo", 1)
    assert kept(ledger.reader, *rows) == [True, False, True, True]
    keep_photo(ledger, rows[4], b"4", "Bo", 1)
    assert kept(ledger.reader, *rows) == [True, False, True, False, True]
    gone = photos_of(ledger.reader, [rows[1].sample_id])[0]
    assert picture_of(ledger.reader, gone) is None
    assert ledger.reader.trace(gone.sha256) is None
    dropped = [entry.payload for entry in ledger.reader.entries(PhotoDropped.KIND)]
    assert dropped[0] == PhotoDropped(sha256=gone.sha256, reason="room for newer photos")
    assert verify_ledger(ledger.path).fault is None
    for verdict in ("pass", "fail"):
        before = ledger.reader.head()
        with pytest.raises(BadInput, match=r"used up by samples that did not pass.* raise"):
            keep_photo(ledger, sample(verdict), b"5", "Bo", 1)
        # The sample alone went on record.
        assert ledger.reader.head().seq == before.seq + 2
    with pytest.raises(BadInput, match="on record before"):
        keep_photo(ledger, rows[1], b"1", "Bo", 1)


@pytest.mark.usefixtures("tight")
def test_the_file_does_not_grow_over_its_room(ledger: Ledger, sample: Make) -> None:
    keep_photo(ledger, sample("fail"), b"first", "Bo", 1)
    sizes = []
    for number in range(12):
        keep_photo(ledger, sample("pass"), b"%d" % number, "Bo", 1)
        assert kept_bytes(ledger.reader) <= 1_000_000
        sizes.append(ledger.path.stat().st_size)
    assert sizes[-1] < sizes[3] + 100_000


@pytest.mark.usefixtures("tight")
def test_nothing_else_can_be_taken_out_of_the_record(
    ledger: Ledger,
    sample: Make,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    stored_trace: Callable[[float], tuple[str, bytes]],
) -> None:
    rows = [sample("fail"), sample("pass")]
    for number, row in enumerate(rows):
        keep_photo(ledger, row, b"%d" % number, "Bo", 1)
    first, second = photos_of(ledger.reader, [row.sample_id for row in rows])
    key, data = stored_trace(100.0)
    sample_id = ledger.append(begun(), person="Bo").id
    ledger.append(finished(sample_id, trace=key), person="Bo", traces={key: data})
    with closing(sqlite3.connect(ledger.path)) as other:
        for one in (first.sha256, key):
            with pytest.raises(sqlite3.IntegrityError, match="only grows"):
                other.execute("DELETE FROM trace WHERE sha256 = ?", (one,))
    with pytest.raises(LedgerError, match="only grows"):
        ledger.append(PhotoDropped(sha256=key, reason="no photo"), person="Bo")
    assert ledger.reader.trace(key) == data
    ledger.append(PhotoDropped(sha256=second.sha256, reason="asked to"), person="Bo")
    assert [one.dropped for one in photos_of(ledger.reader, [rows[1].sample_id])] == [True]
    assert picture_of(ledger.reader, first) is not None


def test_with_photos_off_none_is_taken(ledger: Ledger, sample: Make) -> None:
    with pytest.raises(BadInput, match=r"Photos are off: the setting photos\.keep_megabytes"):
        keep_photo(ledger, sample("fail"), picture(), "Bo", 0)
