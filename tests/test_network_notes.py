"""The notes on people and networks agree with the code."""

import re
import tomllib
from datetime import timedelta
from pathlib import Path

import pytest

from station.cli.page_server import CONNECTIONS_OF_ONE_ADDRESS, IDLE_S
from station.cli.signing import FROM_ENVIRONMENT, NEW_FROM_ENVIRONMENT
from station.settings import DoorSettings, Settings
from station.shop.rights import (
    FIRST_WAIT,
    FREE_TRIES,
    LONGEST_WAIT,
    RIGHTS,
    Right,
    Role,
)
from station.shop.secrets import CODE_LASTS, SecretFile
from station.shop.sign_in import ADDRESS_TRIES, ADDRESS_WAIT
from web.app import MAX_REQUEST_BYTES

NOTES = Path(__file__).parents[1] / "firmware_notes"
NETWORK = (NOTES / "network.md").read_text(encoding="utf-8")
PROXY = (NOTES / "service/crimp-station.nginx").read_text(encoding="utf-8")
SETTINGS = re.findall(r"```toml\n(.*?)```", NETWORK, re.DOTALL)


@pytest.mark.parametrize("text", SETTINGS)
def test_settings_in_the_notes_are_settings(text: str) -> None:
    settings = Settings.model_validate(tomllib.loads(text))
    assert not settings.open_to_this_machine_only


def test_times_in_the_notes_are_those_of_the_code() -> None:
    doors = DoorSettings()
    assert f"after {doors.idle_minutes:.0f} minutes without use" in NETWORK
    assert f"after {doors.longest_hours:.0f} hours in any case" in NETWORK
    assert (3, timedelta(seconds=30), timedelta(hours=1)) == (FREE_TRIES, FIRST_WAIT, LONGEST_WAIT)
    assert "not after the first two, then 30 seconds, doubling up\nto an hour" in NETWORK
    assert timedelta(days=1) == CODE_LASTS
    assert SecretFile(Path("x.ledger")).path.name.endswith(".secrets")
    assert {FROM_ENVIRONMENT, NEW_FROM_ENVIRONMENT} <= set(re.findall(r"`(STATION_\w+)`", NETWORK))


def test_rights_in_the_notes_are_those_of_the_code() -> None:
    for role in (Role.APPRENTICE, Role.INSTALLER):
        assert RIGHTS[role] == {Right.MEASURE}
    assert "| measure, check instruments, hold a nest, begin a check or validation, " in NETWORK


def test_the_proxy_writes_what_the_station_believes() -> None:
    for header in ("X-Forwarded-For   $remote_addr", "X-Forwarded-Host  $host",
                   "X-Forwarded-Proto https", "Host              $host"):  # fmt: skip
        assert f"proxy_set_header {header};" in PROXY
    assert f"client_max_body_size {MAX_REQUEST_BYTES // 1024}k;" in PROXY
    assert "proxy_buffering    off;" in PROXY


def test_bounds_in_the_notes_are_those_of_the_code() -> None:
    said = " ".join(NETWORK.split())
    assert f"after {ADDRESS_TRIES} wrong tries within ten minutes" in said
    assert timedelta(minutes=10) == ADDRESS_WAIT
    assert f"sends nothing for {IDLE_S} seconds" in said
    assert f"one address has {CONNECTIONS_OF_ONE_ADDRESS} at most" in said
