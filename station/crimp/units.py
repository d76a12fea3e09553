"""From what is stored (SI) to what people read: exact factors, and values as they are written."""

import math

from calibration.saying import say

NEWTON_PER_LBF = 4.4482216152605
"""Exact: 0.45359237 kg times 9.80665 m/s2 (international avoirdupois pound, standard gravity)."""

NEWTON_PER_KGF = 9.80665
METRE_PER_INCH = 0.0254

CIRCULAR_MIL_M2 = math.pi / 4.0 * (METRE_PER_INCH / 1000.0) ** 2
"""Area of a circle one thousandth of an inch across."""

SQUARE_MILLIMETRE_M2 = 1e-6

NOTHING = "–"
"""Stands where there is no value."""


def decimals_of(u: float | None, otherwise: int) -> int:
    """Decimals that show two digits of an uncertainty, ``otherwise`` where it is unknown."""
    if u is None or not u > 0.0:
        return otherwise
    return min(max(1 - math.floor(math.log10(u)), 0), 9)


def number(value: float, u: float | None = None, *, decimals: int) -> str:
    """Write a value with two digits of its uncertainty, or ``decimals`` where ``u`` is unknown."""
    return f"{value:z.{decimals_of(u, decimals)}f}"


def newton(force_n: float | None, u_n: float | None = None, *, lbf_first: bool = False) -> str:
    """Write a force in newton and pound-force."""
    if force_n is None:
        return NOTHING
    decimals = decimals_of(u_n, 1)
    both = f"{force_n:z.{decimals}f} N", f"{force_n / NEWTON_PER_LBF:z.{decimals}f} lbf"
    first, second = both[::-1] if lbf_first else both
    return f"{first} ({second})"


def milliohm(ohm: float | None, u_ohm: float | None = None) -> str:
    """Write a resistance in milliohm."""
    return quantity(ohm, "ohm", u_ohm)


_SHOWN = {"ohm": (1e3, "mΩ", 3), "V": (1e3, "mV", 2), "m": (1e3, "mm", 2), "1": (1.0, "", 3)}
"""SI unit -> factor, unit that people read, and decimals where the uncertainty is unknown."""


def quantity(value: float | None, unit: str, u: float | None = None) -> str:
    """Write a value that is stored in the SI unit ``unit``, in the unit that people read."""
    if value is None:
        return NOTHING
    if unit == "N":
        return newton(value, u)
    scale, name, decimals = _SHOWN[unit]
    shown = number(value * scale, None if u is None else u * scale, decimals=decimals)
    return f"{shown} {name}".rstrip()


def shown_scale(unit: str) -> tuple[float, str]:
    """Factor and name of the unit in which people read an SI unit."""
    return _SHOWN.get(unit, (1.0, unit, 0))[:2]


def standing_words(code: str) -> str:
    """Say how well a printed value is known."""
    known = {
        "memory": say("unverified, from memory"),
        "shop": say("the shop's own"),
        "own-rule": say("our own rule, not published"),
        "seen-1": say("seen in 1 text"),
    }
    count = code.removeprefix("seen-")
    if code in known or count == code:
        return known.get(code, code)
    return say("seen in {count} texts", count=count)
