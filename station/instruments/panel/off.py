"""Switch the panel's outputs off: ``python -m station.instruments.panel.off SETTINGS``.

For the service unit's ``ExecStopPost``: some kernels leave pins driven when a program is killed, so
that a lamp or the buzzer would stay on with nothing behind it.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

from pydantic import BaseModel

from station.errors import StationError
from station.files import read_toml
from station.instruments.panel.gpio import open_panel
from station.settings import PanelPins

USAGE = (
    "Say which settings file names the panel's pins: "
    "python -m station.instruments.panel.off bench.toml"
)


class _PanelSettings(BaseModel):
    panel: PanelPins | None = None


def pins_in(settings: Path) -> PanelPins | None:
    """Return the pins that the table ``panel`` of a settings file names; None without a table.

    The rest of the file is not looked at: outputs go off even where another setting is wrong.

    Raises
    ------
    DataFileError
        The file cannot be read, or a pin does not fit.
    """
    return read_toml(settings, _PanelSettings, called=f"The settings {settings}").panel


def switch_off(settings: Path) -> str:
    """Switch all outputs off by taking and releasing their pins; return what was done.

    Raises
    ------
    DataFileError, PanelError
        The settings cannot be used, or another program still has the pins.
    """
    with open_panel(pins_in(settings)) as panel:
        if not panel.present:
            return panel.line().trouble or ""
    return "The panel's lamps, buzzer and relay are off."


def main(arguments: Sequence[str]) -> int:
    """Run the command; return 0 when done, 2 for bad input."""
    if len(arguments) != 1:
        print(USAGE, file=sys.stderr)
        return 2
    try:
        print(switch_off(Path(arguments[0])))
    except StationError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
