"""Before the page is served: who could reach it, and the one-time code on the console."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.cli.main import run
from station.cli.serving import check_reach, show_way_in, warn_of_listeners
from station.errors import DataFileError, NotAllowed
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from station.settings import ANY_ADDRESS, DoorSettings, Settings
from station.shop.sign_in import Doors
from tests.doors import PASSPHRASE, PIN, cheap_hashes, give_secret

PROXIED = DoorSettings(behind_proxy=True, hosts=("bench.example",))
NAMED = DoorSettings(hosts=("bench.example",))
REACHED = (
    Settings(host="192.0.2.7"),
    Settings(host=ANY_ADDRESS, doors=NAMED),
    Settings(doors=PROXIED),
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with cheap_hashes(), Ledger.open(tmp_path / "bench.ledger") as opened:
        opened.append(PersonAdded(name="Ann Example", role="lead"), person="Ann Example")
        opened.append(PersonAdded(name="Bo Invented", role="installer"), person="Ann Example")
        yield opened


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "127.0.0.9", "::1"])
def test_a_page_for_this_machine_alone_needs_nobody(ledger: Ledger, host: str) -> None:
    settings = Settings(host=host)
    check_reach(ledger, settings)
    assert settings.open_to_this_machine_only


@pytest.mark.parametrize("settings", REACHED)
def test_others_reach_the_page_only_after_a_lead_has_a_passphrase(
    ledger: Ledger, settings: Settings
) -> None:
    assert not settings.open_to_this_machine_only
    with pytest.raises(NotAllowed, match="station people code"):
        check_reach(ledger, settings)
    give_secret(ledger, "Bo Invented", PASSPHRASE)
    give_secret(ledger, "Ann Example", PIN)
    with pytest.raises(NotAllowed, match="no lead has a passphrase"):
        check_reach(ledger, settings)
    give_secret(ledger, "Ann Example", PASSPHRASE)
    check_reach(ledger, settings)


@pytest.mark.parametrize(
    "settings",
    [Settings(host=ANY_ADDRESS), Settings(doors=DoorSettings(behind_proxy=True))],
)
def test_the_names_it_is_reached_by_must_be_set(ledger: Ledger, settings: Settings) -> None:
    give_secret(ledger, "Ann Example", PASSPHRASE)
    with pytest.raises(DataFileError, match=r"doors\.hosts"):
        check_reach(ledger, settings)


def test_the_command_refuses_in_one_sentence_and_serves_nothing(
    ledger: Ledger, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "bench.toml"
    settings.write_text(
        'host = "0.0.0.0"\nport = 0\n[doors]\nhosts = ["bench.example"]\n', encoding="utf-8"
    )
    assert run(["serve", "--settings", str(settings), "--ledger", str(ledger.path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "no lead has a passphrase" in said
    assert "The page is on" not in said


def test_the_code_is_shown_until_a_lead_can_sign_in(ledger: Ledger) -> None:
    said: list[str] = []
    show_way_in(ledger.path, said.append)
    show_way_in(ledger.path, said.append)
    first, second = (line.split("first: ")[1].split(" ")[0] for line in said)
    assert first != second
    Doors(ledger, "bench").first_lead(second, "Ann Example", PASSPHRASE)
    show_way_in(ledger.path, said.append)
    assert len(said) == 2


def test_plain_http_on_a_network_is_said() -> None:
    said: list[str] = []
    for settings in (Settings(), Settings(doors=PROXIED)):
        warn_of_listeners(settings, said.append)
    assert said == []
    warn_of_listeners(Settings(host="192.0.2.7"), said.append)
    assert "passphrases included" in said[0]
