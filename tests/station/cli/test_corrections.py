import json
from collections.abc import Callable

import pytest

from station.cli.main import run
from station.ledger.entries import Correction, PersonAdded, SampleBegun, SampleFinished
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from tests.doors import PASSPHRASE, cheap_hashes, give_secret

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)


@pytest.fixture
def sample_id(
    ledger: Ledger,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    monkeypatch: pytest.MonkeyPatch,
) -> str:
    """A finished sample, in a ledger with a lead and an apprentice who can both sign."""
    for name, role in (("Ana", "lead"), ("Bo", "apprentice")):
        ledger.append(PersonAdded(name=name, role=role), person="Ana")
        give_secret(ledger, name)
    monkeypatch.setenv("STATION_PASSPHRASE", PASSPHRASE)
    sample = ledger.append(begun(), person="Bo")
    ledger.append(finished(sample.id), person="Bo")
    return sample.id


def correct(ledger: Ledger, *arguments: str) -> int:
    with cheap_hashes():
        return run(["ledger", "correct", *arguments, "--ledger", str(ledger.path)])


def test_a_lead_voids_a_sample_and_what_was_written_stays(
    ledger: Ledger, sample_id: str, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = (sample_id, "--void", "--reason", "wrong reel", "--person", "Ana")
    assert correct(ledger, *arguments, "--json") == 0
    said = json.loads(capsys.readouterr().out)
    row = ledger.reader.sample(sample_id)
    assert row is not None
    assert (row.verdict, row.void_reason) == ("void", "wrong reel")
    written = ledger.reader.finished_payload(sample_id)
    assert written is not None
    assert written.verdict == "pass"
    entry = ledger.reader.entry(said["correction"])
    assert entry is not None
    assert entry.person == "Ana"
    assert entry.payload == Correction(corrects_id=sample_id, reason="wrong reel", void_sample=True)
    assert verify_ledger(ledger.path).first_bad is None
    assert correct(ledger, *arguments) == 2
    assert "void already" in capsys.readouterr().err


def test_a_failure_mode_is_corrected(ledger: Ledger, sample_id: str) -> None:
    arguments = (sample_id, "--failure-mode", "drawn_out", "--reason", "seen under the loupe")
    assert correct(ledger, *arguments, "--person", "Ana") == 0
    row = ledger.reader.sample(sample_id)
    assert row is not None
    assert (row.verdict, row.failure_mode) == ("pass", "drawn_out")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("{}", "--reason", "why", "--person", "Bo"), "may not correct the record"),
        (("{}", "--reason", " ", "--person", "Ana"), "worth nothing"),
        (("unknown", "--reason", "why", "--person", "Ana"), "no entry unknown on record"),
        (("{}", "--failure-mode", "exploded", "--reason", "why", "--person", "Ana"), "exploded"),
    ],
)
def test_what_cannot_be_corrected_changes_nothing(
    ledger: Ledger,
    sample_id: str,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    sentence: str,
) -> None:
    assert correct(ledger, *(argument.format(sample_id) for argument in arguments)) == 2
    assert sentence in capsys.readouterr().err
    assert not list(ledger.reader.entries(Correction.KIND))


def test_a_wrong_passphrase_corrects_nothing(
    ledger: Ledger, sample_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATION_PASSPHRASE", "not the right one")
    assert correct(ledger, sample_id, "--void", "--reason", "why", "--person", "Ana") == 2
    row = ledger.reader.sample(sample_id)
    assert row is not None
    assert row.verdict == "pass"
