from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.bench.temperature import (
    parse_sensor,
    read_sensor,
    temperature_now,
    temperature_set,
)
from station.errors import BadInput
from station.ledger.chain import Moment
from station.ledger.entries import BenchTemperature
from station.ledger.store import Ledger
from station.settings import FixtureSettings

W1 = "72 01 4b 46 7f ff 0e 10 57 : crc=57 {word}\n72 01 4b 46 7f ff 0e 10 57 t={thousandths}\n"


# The files' forms: the kernel's own documents, Documentation/ABI/testing/sysfs-bus-iio,
# Documentation/hwmon/sysfs-interface, Documentation/w1/slaves/w1_therm [memory].
@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("23450\n", 23.45),
        ("23450.000000\n", 23.45),
        ("-1250\n", -1.25),
        ("0\n", 0.0),
        (W1.format(word="YES", thousandths=23125), 23.125),
        (W1.format(word="YES", thousandths=-62), -0.062),
    ],
)
def test_what_linux_writes_of_a_sensor(text: str, celsius: float) -> None:
    assert parse_sensor(text) == pytest.approx(celsius)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (W1.format(word="NO", thousandths=23125), "checksum"),
        # As a w1 sensor says that woke a moment ago, and as millikelvin would look.
        (W1.format(word="YES", thousandths=85000), "no bench has 85 °C"),
        ("296600\n", "no bench"),
        ("nan\n", "no bench"),
        ("", "no temperature"),
        ("N/A\n", "no temperature"),
        ("t=\n", "no temperature"),
    ],
)
def test_what_is_no_temperature_is_refused(text: str, why: str) -> None:
    with pytest.raises(BadInput, match=why):
        parse_sensor(text)


@given(st.text())
def test_no_text_breaks_the_parser(text: str) -> None:
    with suppress(BadInput):
        assert -30.0 <= parse_sensor(text) <= 60.0


def test_a_raw_number_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    raw = tmp_path / "in_temp_raw"
    raw.write_text("371\n")
    with pytest.raises(BadInput, match="_input"):
        read_sensor(raw)
    with pytest.raises(BadInput, match="No such file"):
        read_sensor(tmp_path / "temp1_input")


def test_the_sensor_comes_first_and_what_is_set_takes_its_place(tmp_path: Path) -> None:
    file = tmp_path / "temp1_input"
    fixture = FixtureSettings(temperature_c=20.0, temperature_file=file)
    set_to = temperature_set(fixture)
    lost = temperature_now(fixture, set_to)
    assert (lost.celsius, lost.u_k, lost.source) == (20.0, 3.0, "sensor not read, settings")
    assert lost.trouble is not None
    assert str(file) in lost.trouble
    file.write_text("24500\n")
    found = temperature_now(fixture, set_to)
    assert (found.celsius, found.u_k, found.source) == (24.5, 1.0, "sensor")
    assert found.trouble is None
    unset = FixtureSettings(temperature_file=tmp_path / "none")
    nothing = temperature_now(unset, temperature_set(unset))
    assert (nothing.celsius, nothing.source) == (None, "sensor not read")


def test_what_was_entered_counts_for_its_day(tmp_path: Path) -> None:
    noon = datetime(2031, 3, 4, 12, tzinfo=UTC)
    with Ledger.open(tmp_path / "station.ledger") as ledger:
        fixture = FixtureSettings(temperature_c=18.0)
        assert temperature_set(fixture, ledger.reader, noon).celsius == 18.0
        for hours, celsius in ((0, 19.0), (1, 21.0)):
            ledger.append(
                BenchTemperature(temperature_c=celsius, u_temperature_k=0.5),
                person="Ann Example",
                moment=Moment(noon + timedelta(hours=hours), True, "invented", 0.0),
            )
        later = temperature_set(fixture, ledger.reader, noon + timedelta(hours=2))
        assert (later.celsius, later.u_k, later.source) == (21.0, 0.5, "entered today")
        morrow = temperature_set(fixture, ledger.reader, noon + timedelta(days=1, hours=13))
        assert (morrow.celsius, morrow.source) == (18.0, "settings")
