"""How warm the wire is: by a sensor, by what a person entered today, else by the settings."""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from calibration.saying import say
from station.errors import BadInput
from station.files import read_bytes, unread
from station.ledger.entries import BenchTemperature
from station.ledger.reader import LedgerReader
from station.settings import FixtureSettings

BENCH_C = (-30.0, 60.0)
"""No bench is colder or warmer (our own choice); a w1 sensor that just woke says 85."""


@dataclass(frozen=True, slots=True)
class Temperature:
    """What the bench knows of the wire's temperature, and from where, as the record says it.

    Without a thermometer ``celsius`` is None, and ``u_k`` how far from 20 °C it may well be.
    """

    celsius: float | None
    u_k: float
    source: str = ""
    trouble: str | None = None
    """Why the sensor was not read."""


def parse_sensor(text: str) -> float:
    """Degrees Celsius of what Linux writes of a sensor (BadInput for anything else).

    Thousandths of a degree in ``in_temp_input`` (iio), ``temp1_input`` (hwmon) and ``temperature``
    (w1); in ``w1_slave`` after ``t=``, behind a line that ends with YES where its checksum is good.
    """
    head, _, stated = text.strip().rpartition("t=")
    if head and not head.splitlines()[0].endswith("YES"):
        raise BadInput("its checksum is wrong")
    try:
        celsius = float(stated) / 1000.0
    except ValueError:
        raise BadInput("{text!r} is no temperature", text=text[:40]) from None
    if not BENCH_C[0] <= celsius <= BENCH_C[1]:
        raise BadInput("no bench has {celsius:g} °C", celsius=celsius)
    return celsius


def read_sensor(path: Path) -> float:
    """Read a sensor's file now, in degrees Celsius (BadInput says why it cannot be)."""
    if path.name.endswith("_raw"):
        raise BadInput("{name} has no unit: name the file that ends with _input", name=path.name)
    try:
        return parse_sensor(read_bytes(path, 4096).decode("ascii"))
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput("the file cannot be read ({why})", why=unread(error)) from error


def temperature_set(
    fixture: FixtureSettings, reader: LedgerReader | None = None, now: datetime | None = None
) -> Temperature:
    """The temperature by what was entered on the day of ``now``, else by the settings."""
    entries = list(reader.entries(kind=BenchTemperature.KIND))[-1:] if reader else []
    for entry in entries:
        entered, day = entry.payload, entry.at_utc.astimezone().date()
        if isinstance(entered, BenchTemperature) and now and day == now.astimezone().date():
            return Temperature(entered.temperature_c, entered.u_temperature_k, "entered today")
    source = "" if fixture.temperature_c is None else "settings"
    return Temperature(fixture.temperature_c, fixture.u_temperature_k, source)


def temperature_now(fixture: FixtureSettings, known: Temperature) -> Temperature:
    """The temperature by the sensor, else as it is known without one."""
    if fixture.temperature_file is None:
        return known
    try:
        return Temperature(read_sensor(fixture.temperature_file), fixture.u_sensor_k, "sensor")
    except BadInput as error:
        trouble = say(
            "The temperature sensor {file} could not be read: {why}. What was entered or set "
            "counts instead.",
            file=str(fixture.temperature_file),
            why=say(str(error)),
        )
        source = f"sensor not read, {known.source}" if known.source else "sensor not read"
        return replace(known, source=source, trouble=trouble)
