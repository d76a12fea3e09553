"""How papers write values: in the units that people read."""

from station.crimp.units import NEWTON_PER_LBF

NOTHING = "–"


def quantity(value: float | None, unit: str) -> str:
    """A value that is stored in an SI unit."""
    if value is None:
        return NOTHING
    match unit:
        case "N":
            return f"{value:.1f} N ({value / NEWTON_PER_LBF:.1f} lbf)"
        case "ohm":
            return f"{value * 1e3:.3f} mΩ"
        case "V":
            return f"{value * 1e3:.2f} mV"
        case _:
            return f"{value:.3f}"


def shown_scale(unit: str) -> tuple[float, str]:
    """Factor and name of the unit in which people read an SI unit."""
    return {"ohm": (1e3, "mΩ"), "V": (1e3, "mV"), "1": (1.0, "")}.get(unit, (1.0, unit))


def share(value: float | None) -> str:
    """A probability or share."""
    return NOTHING if value is None else f"{value:.1%}"
