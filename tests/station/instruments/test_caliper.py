"""A caliper over a pseudo-terminal: each press of its button is one size, or one sentence."""

from pathlib import Path
from queue import SimpleQueue

import pytest

from station.errors import DataFileError
from station.instruments.caliper import Caliper
from tests.station.instruments.fakes import FarEnd, wait_until

PATIENCE_S = 60.0


def test_each_press_is_handed_over_and_what_cannot_be_read_is_told() -> None:
    heard: SimpleQueue[tuple[float | None, str | None]] = SimpleQueue()

    def next_one() -> tuple[float, str]:
        size_m, trouble = heard.get(timeout=PATIENCE_S)
        return size_m or 0.0, trouble or ""

    with FarEnd() as far:
        caliper = Caliper(far.path, "caliper-plain", None, lambda *line: heard.put(line))
        wait_until(lambda: caliper.port.is_open)
        far.say(b"+1.34 mm\r1.3")
        assert next_one()[0] == pytest.approx(1.34e-3)
        far.say(b"5\r")
        assert next_one()[0] == pytest.approx(1.35e-3)
        far.say(b"1.34 kg\r")
        assert "cannot read: look at its unit" in next_one()[1]
        far.unplug()
        assert "caliper is gone" in next_one()[1]
        caliper.close()
    assert not caliper.port.is_open


def test_another_instruments_profile_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataFileError, match="is for a meter; choose one for a caliper"):
        Caliper(str(tmp_path / "none"), "meter-scpi-plain", None, print)
