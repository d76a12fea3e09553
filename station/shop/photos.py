"""Photos of samples: made harmless, and kept as long as there is room."""

import threading
from base64 import b64encode
from collections.abc import Iterable
from io import BytesIO

from calibration.saying import say
from station.errors import BadInput
from station.ledger.entries import PhotoDropped, PhotoTaken
from station.ledger.photos import (
    kept_bytes,
    photo_with,
    photos_of,
    photos_of_passed,
    picture_of,
)
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.ledger.store import Ledger
from station.ledger.traces import packed, trace_key

LONGEST_EDGE = 1600
"""Pixels: a strand shows, and some thousand photos fit on a card (our own choice)."""
SMALL_EDGE = 240
MOST_SENT_BYTES = 12 * 1024 * 1024
"""Of a photo as it is sent: what phones make by themselves (our own choice)."""
MOST_PIXELS = 50_000_000
"""What phones take by themselves; the memory of a small computer bears it once (our own choice)."""

_ONE_AT_A_TIME = threading.Lock()


def cleaned(data: bytes, longest_edge: int = LONGEST_EDGE) -> bytes:
    """Return the picture that a file shows, upright, as a JPEG file with nothing else in it.

    What a file is, its content says. Position, camera, comments and what hangs on behind go.

    Raises
    ------
    BadInput
        It is no sound JPEG, PNG or WebP file, or has more than `MOST_PIXELS`.
    """
    # Nothing but photos needs it.
    from PIL import Image, ImageOps

    written = BytesIO()
    try:
        with _ONE_AT_A_TIME, Image.open(BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as found:
            if found.width * found.height > MOST_PIXELS:
                raise ValueError("a bomb, not unpacked")
            # Of a JPEG file, no more is decoded than is needed.
            found.draft("RGB", (longest_edge, longest_edge))
            upright = ImageOps.exif_transpose(found).convert("RGB")
            upright.thumbnail((longest_edge, longest_edge))
            # A new picture has what is painted into it, and no words of the old one.
            picture = Image.new("RGB", upright.size)
            picture.paste(upright)
            picture.save(written, "JPEG", quality=80)
    # Decoders fail in every way when a file is made to break them.
    except Exception as error:
        raise BadInput(
            "This is no photo that can be read: send a JPEG, PNG or WebP file of at most {count} "
            "million pixels.",
            count=MOST_PIXELS // 1_000_000,
        ) from error
    return written.getvalue()


def small_photos(reader: LedgerReader, samples: Iterable[SampleRow]) -> list[tuple[SampleRow, str]]:
    """Return the photos of samples that are kept, as they stand on a paper."""
    rows = {row.sample_id: row for row in samples}
    found = ((rows[one.sample_id], picture_of(reader, one)) for one in photos_of(reader, rows))
    return [
        (row, f"data:image/jpeg;base64,{b64encode(cleaned(picture, SMALL_EDGE)).decode()}")
        for row, picture in found
        if picture is not None
    ]


def keep_photo(ledger: Ledger, sample: SampleRow, data: bytes, person: str, room_mb: int) -> None:
    """Put a photo of a sample on record; where there is no room, drop the oldest of passed ones.

    The same photo of the same sample again changes nothing.

    Raises
    ------
    BadInput
        Photos are off, the file is no photo, it is on record with another sample or was dropped,
        or there is no room and nothing that may go.
    LedgerFull
        There is no room on the disk; nothing was written.
    """
    if not room_mb:
        raise BadInput("Photos are off: the setting photos.keep_megabytes gives them room.")
    picture = cleaned(data)
    stored = packed(picture)
    taken = PhotoTaken(
        sample_id=sample.sample_id, sha256=trace_key(stored), size_bytes=len(picture),
        demo=sample.demo,
    )  # fmt: skip
    with ledger.transaction():
        if known := photo_with(ledger.reader, taken.sha256):
            if known.sample_id == sample.sample_id and not known.dropped:
                return
            raise BadInput("This very photo was put on record before: take another.")
        over = kept_bytes(ledger.reader) + len(picture) - room_mb * 1_000_000
        for old in photos_of_passed(ledger.reader):
            if over > 0:
                reason = say("room for newer photos")
                dropped = PhotoDropped(sha256=old.sha256, reason=reason, demo=sample.demo)
                ledger.append(dropped, person=person)
                over -= old.size_bytes
        if over > 0:
            raise BadInput(
                "The {room} MB for photos are used up by samples that did not pass, whose photos "
                "are kept. The sample is on record, this photo is not: raise the setting "
                "photos.keep_megabytes.",
                room=room_mb,
            )
        ledger.append(taken, person=person, traces={taken.sha256: stored})
