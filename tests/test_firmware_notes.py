"""The builder's notes agree with the code, and their files have the form that they claim."""

import configparser
import re
import socket
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from station.cli.systemd import PINGS_PER_TIMEOUT
from station.instruments.panel.contacts import HELD_TOO_LONG_S, STABLE_S
from station.ledger.elsewhere import NEEDED, ImportMap
from station.settings import SUGGESTED_RELAY_GPIO, PanelPins

ROOT = Path(__file__).parents[1]
NOTES = ROOT / "firmware_notes"
FILES = sorted(path for path in NOTES.rglob("*") if path.is_file())
PIN_ROW = re.compile(r"^\| `(\w+)` \| GPIO(\d+) \| (\d+) \| (in|out) \| (up|down) \|", re.MULTILINE)
WIRING = (NOTES / "wiring.md").read_text(encoding="utf-8")
PIN_MAP = {
    name: (int(gpio), int(place), direction, pull)
    for name, gpio, place, direction, pull in PIN_ROW.findall(WIRING)
}


@pytest.fixture
def unit() -> configparser.RawConfigParser:
    parser = configparser.RawConfigParser(strict=True, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string((NOTES / "service/crimp-station.service").read_text(encoding="utf-8"))
    return parser


@pytest.fixture
def header() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.reset()


def prose() -> str:
    return " ".join(path.read_text(encoding="utf-8") for path in FILES)


def test_pin_map_is_the_code_s_own() -> None:
    defaults = {**PanelPins().wired(), "current_reversal_relay": SUGGESTED_RELAY_GPIO}
    assert {name: row[0] for name, row in PIN_MAP.items()} == defaults
    assert set(PIN_MAP) == set(PanelPins.model_fields)


@pytest.mark.parametrize("name", PIN_MAP)
def test_places_on_the_header_are_those_of_gpiozero(name: str, header: MockFactory) -> None:
    """Source: gpiozero's own table of the 40-pin header, a library of the board's users."""
    gpio, place, _, _ = PIN_MAP[name]
    ((_, info),) = header.board_info.find_pin(f"GPIO{gpio}")
    assert (info.number, info.name) == (place, f"GPIO{gpio}")


def test_ground_and_supply_places_are_those_of_gpiozero(header: MockFactory) -> None:
    """Source: as above."""
    pins = header.board_info.headers["J8"].pins
    grounds = [place for place, info in sorted(pins.items()) if info.name == "GND"]
    supply = [place for place, info in sorted(pins.items()) if info.name == "3V3"]
    *first, last = map(str, grounds)
    assert f"Ground is on header places {', '.join(first)} and {last};" in WIRING
    assert f"3.3 V on {' and '.join(map(str, supply))}." in WIRING


def test_inputs_are_pulled_up_and_outputs_down() -> None:
    """Boot pulls: GPIO0 to 8 up, 9 to 27 down (secondary texts, standing medium)."""
    for gpio, _, direction, pull in PIN_MAP.values():
        assert pull == ("up" if direction == "in" else "down")
        assert (gpio <= 8) == (pull == "up")


def test_settings_example_in_the_wiring_notes_is_valid() -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", WIRING, re.DOTALL)
    pins = PanelPins.model_validate(tomllib.loads(example)["panel"])
    assert pins.buzzer is None
    assert pins.current_reversal_relay == SUGGESTED_RELAY_GPIO


def test_times_in_the_wiring_notes_are_the_code_s_own() -> None:
    assert f"{STABLE_S * 1e3:g} ms" in WIRING
    assert f"{HELD_TOO_LONG_S:g} s" in WIRING


def test_filter_of_the_inputs_leaves_a_blink_of_a_millisecond() -> None:
    """The time constant R C of the drawn filter [calc], against a blink of 1 ms."""
    resistance_ohm, capacitance_f = 1e3, 10e-9
    assert "1 kΩ × 10 nF = 10 µs" in WIRING
    assert resistance_ohm * capacitance_f == pytest.approx(10e-6)
    assert 5.0 * resistance_ohm * capacitance_f < 0.1 * 1e-3


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("Unit", "StartLimitIntervalSec", "0"),
        ("Service", "Type", "notify"),
        ("Service", "WatchdogSec", "30"),
        ("Service", "Restart", "on-failure"),
        ("Service", "RestartSec", "2"),
        ("Service", "WorkingDirectory", "/var/lib/crimp-station"),
        ("Service", "SupplementaryGroups", "dialout gpio"),
        ("Install", "WantedBy", "multi-user.target"),
    ],
)
def test_unit_has_what_the_station_needs(
    unit: configparser.RawConfigParser, section: str, key: str, value: str
) -> None:
    """Keys: systemd.unit(5), systemd.service(5), systemd.exec(5) [seen-1]; values: our choice."""
    assert unit.get(section, key) == value


def test_unit_sets_the_pin_library_s_environment(unit: configparser.RawConfigParser) -> None:
    variables = dict(pair.split("=", 1) for pair in unit.get("Service", "Environment").split())
    assert variables["GPIOZERO_PIN_FACTORY"] == "lgpio"
    assert variables["LG_WD"] == f"/run/{unit.get('Service', 'RuntimeDirectory')}"
    assert variables["STATION_HOME"] == f"/var/lib/{unit.get('Service', 'StateDirectory')}"


def test_unit_switches_lamps_off_with_the_settings_it_started_with(
    unit: configparser.RawConfigParser,
) -> None:
    started, stopped = unit.get("Service", "ExecStart"), unit.get("Service", "ExecStopPost")
    assert "-m station.instruments.panel.off" in stopped
    assert stopped.startswith("-"), "its failure is no failure of the service"
    assert stopped.split()[-1] == started.split()[-1]


def test_ping_interval_in_the_notes_follows_from_the_unit(
    unit: configparser.RawConfigParser,
) -> None:
    every_s = int(unit.get("Service", "WatchdogSec")) / PINGS_PER_TIMEOUT
    assert f"every {every_s:g} s" in (NOTES / "raspberry_pi.md").read_text(encoding="utf-8")


def test_rules_are_matches_and_assignments() -> None:
    text = (NOTES / "service/99-crimp-station.rules").read_text(encoding="utf-8")
    rules = [line for line in text.splitlines() if line.strip() and not line.startswith("# ")]
    part = re.compile(r'^[A-Z]+(\{\w+\})?(==|\+=|=)"[^"]*"$|^TEST=="\w+"$')
    for rule in rules:
        assert all(part.match(piece) for piece in rule.lstrip("#").split(", ")), rule
    assert 'ENV{ID_MM_DEVICE_IGNORE}="1"' in text
    assert 'ATTR{latency_timer}="1"' in text


def test_index_names_every_file_and_every_link_leads_somewhere() -> None:
    index = (NOTES / "README.md").read_text(encoding="utf-8")
    links = set(re.findall(r"\]\(([^)#:]+)\)", index))
    assert {path.relative_to(NOTES).as_posix() for path in FILES} - {"README.md"} == links


def test_guard_is_nowhere_called_a_safety_function() -> None:
    sentence = "It is not a safety function"
    for path in (NOTES / "wiring.md", ROOT / "station/instruments/panel/contacts.py"):
        assert sentence in path.read_text(encoding="utf-8")
    assert "no start command for a motor" in WIRING


def test_what_nobody_tried_on_hardware_is_said() -> None:
    index = (NOTES / "README.md").read_text(encoding="utf-8")
    assert "Nobody on the project has had a Raspberry Pi" in index
    assert "not tried" in (NOTES / "raspberry_pi.md").read_text(encoding="utf-8").lower()
    assert "not been tried" in (NOTES / "kiosk.md").read_text(encoding="utf-8")


def test_nothing_of_the_machine_they_were_written_on() -> None:
    text = prose()
    assert str(ROOT) not in text
    assert str(Path.home()) + "/" not in text
    assert f" {socket.gethostname()} " not in text


def test_mapping_of_a_table_in_the_notes_on_the_record_is_valid() -> None:
    text = (NOTES / "record.md").read_text(encoding="utf-8")
    mapping = ImportMap.model_validate(tomllib.loads(text.split("```toml")[1].split("```")[0]))
    assert set(NEEDED) <= {*mapping.columns, *mapping.constants}
