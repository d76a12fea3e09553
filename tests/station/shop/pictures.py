"""Files as phones send them, and as nobody should."""

from io import BytesIO
from typing import Any

from PIL import Image
from PIL.TiffImagePlugin import IFDRational

GPS, ORIENTATION, MAKER = 0x8825, 0x0112, 0x010F


def picture(form: str = "JPEG", size: tuple[int, int] = (64, 40), grey: int = 90) -> bytes:
    """A grey picture with a bright patch in the upper left corner."""
    return _file(_drawn(size, grey), form)


def from_a_phone(grey: int = 90) -> bytes:
    """Held upright, with where it was taken, by what, and a comment."""
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKER] = 6, "INVENTED MAKER"
    degrees = (IFDRational(48), IFDRational(12), IFDRational(30))
    exif[GPS] = {1: "N", 2: degrees, 3: "E", 4: degrees}
    return _file(_drawn((64, 40), grey), "JPEG", exif=exif, comment=b"<script>alert(1)</script>")


def _drawn(size: tuple[int, int], grey: int) -> Image.Image:
    drawn = Image.new("RGB", size, (grey, grey, grey))
    drawn.paste((255, 255, 255), (0, 0, size[0] // 2, size[1] // 2))
    return drawn


def _file(drawn: Image.Image, form: str, **more: Any) -> bytes:
    written = BytesIO()
    drawn.save(written, form, **more)
    return written.getvalue()
