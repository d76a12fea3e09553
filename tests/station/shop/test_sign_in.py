"""Signing in and changing people: who gets through, and what the audit says of it."""

import random
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import pytest
from confusable_homoglyphs import confusables

from station.errors import BadInput, LedgerFull, LockedOut, NotAllowed, WrongSecret
from station.ledger.chain import Moment
from station.ledger.entries import PersonAdded
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.rights import (
    FREE_TRIES,
    Right,
)
from station.shop.secrets import SecretFile
from station.shop.sign_in import (
    ADDRESS_TRIES,
    ADDRESS_WAIT,
    CODE,
    Doors,
    Way,
    active_person,
    leads_with_secret,
)
from tests.doors import PASSPHRASE, PIN, Person, cheap_hashes, give_secret

ANN = Person("Ann Example", "lead")
BO = Person("Bo Invented", "installer")


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.at = datetime(2031, 3, 4, 15, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at

    def moment(self) -> Moment:
        return Moment(self.at, clock_synced=True, boot_id="invented", monotonic_s=0.0)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def blank(tmp_path: Path, clock: Clock) -> Iterator[Ledger]:
    with (
        cheap_hashes(),
        Ledger.open(tmp_path / "bench.ledger", clock=clock.moment) as opened,
    ):
        yield opened


@pytest.fixture
def ledger(blank: Ledger) -> Ledger:
    for person in (ANN, BO):
        entry = PersonAdded.model_validate({"name": person.name, "role": person.role})
        blank.append(entry, person="Ann Example")
    give_secret(blank, "Ann Example")
    give_secret(blank, "Bo Invented", PIN)
    return blank


def doors(ledger: Ledger, clock: Clock, way: Way = "bench") -> Doors:
    return Doors(ledger, way, "192.0.2.7" if way == "network" else None, clock)


def events(ledger: Ledger) -> list[tuple[str, str]]:
    return [(row.event, row.about) for row in ledger.reader.audit()]


def fail(door: Doors, times: int, name: str = "Ann Example") -> None:
    for _ in range(times):
        with pytest.raises(WrongSecret):
            door.sign_in(name, "not the passphrase")


def test_name_and_secret_let_in_and_the_audit_knows(ledger: Ledger, clock: Clock) -> None:
    row = doors(ledger, clock, "network").sign_in("Ann Example", PASSPHRASE)
    assert (row.name, row.role) == ("Ann Example", "lead")
    newest = ledger.reader.audit(limit=1)[0]
    assert (newest.event, newest.about, newest.person) == (
        "signed_in",
        "Ann Example",
        "Ann Example",
    )
    assert (newest.way, newest.address) == ("network", "192.0.2.7")


@pytest.mark.parametrize("name", ["Ann Example", "Bo Invented", "Cy Unknown", "", "ann example"])
def test_wrong_secrets_are_refused_alike_and_noted(ledger: Ledger, clock: Clock, name: str) -> None:
    with pytest.raises(WrongSecret, match="do not belong together"):
        doors(ledger, clock).sign_in(name, "not the passphrase")
    known = name in ("Ann Example", "Bo Invented")
    event, about = events(ledger)[0]
    assert event == "sign_in_failed"
    assert about == name if known else re.fullmatch(r"\(nobody\) [0-9a-f]{4}", about)


def test_no_secret_is_in_any_entry(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock)
    fail(door, 1)
    # A passphrase typed where the name belongs must not be kept either.
    with pytest.raises(WrongSecret):
        door.sign_in(PASSPHRASE, PASSPHRASE)
    door.sign_in("Ann Example", PASSPHRASE)
    text = "".join(str(entry) for entry in ledger.reader.entries())
    for secret in (PASSPHRASE, PIN, "not the passphrase", "scrypt"):
        assert secret not in text


def test_guessing_is_locked_out_for_longer_and_longer(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock)
    fail(door, FREE_TRIES)
    assert events(ledger)[:2] == [("locked_out", "Ann Example"), ("sign_in_failed", "Ann Example")]
    before = len(events(ledger))
    with pytest.raises(LockedOut, match="wait 30 seconds"):
        door.sign_in("Ann Example", PASSPHRASE)
    assert len(events(ledger)) == before, "tries while locked out would fill the record"
    clock.at += timedelta(seconds=31)
    fail(door, 1)
    with pytest.raises(LockedOut, match="wait 60 seconds"):
        door.sign_in("Ann Example", PASSPHRASE)
    clock.at += timedelta(seconds=61)
    door.sign_in("Ann Example", PASSPHRASE)
    fail(door, 1)
    door.sign_in("Ann Example", PASSPHRASE)


def test_a_restart_does_not_end_a_lock_out(ledger: Ledger, clock: Clock) -> None:
    fail(doors(ledger, clock), FREE_TRIES)
    with (
        Ledger.open(ledger.path, clock=clock.moment) as again,
        pytest.raises(LockedOut),
    ):
        doors(again, clock).sign_in("Ann Example", PASSPHRASE)


def test_a_stranger_on_the_network_cannot_lock_the_bench(ledger: Ledger, clock: Clock) -> None:
    fail(doors(ledger, clock, "network"), FREE_TRIES)
    with pytest.raises(LockedOut):
        doors(ledger, clock, "network").sign_in("Ann Example", PASSPHRASE)
    doors(ledger, clock, "bench").sign_in("Ann Example", PASSPHRASE)
    with pytest.raises(LockedOut):
        doors(ledger, clock, "network").sign_in("Ann Example", PASSPHRASE)


def test_an_address_that_tries_many_names_waits_and_nobody_else(
    ledger: Ledger, clock: Clock
) -> None:
    door = doors(ledger, clock, "network")
    for number in range(ADDRESS_TRIES):
        fail(door, 1, f"Cy {number}")
    before = len(events(ledger))
    for name in ("Fay", "Ann Example"):
        with pytest.raises(LockedOut, match="wait 600 seconds"):
            door.sign_in(name, PASSPHRASE)
    assert len(events(ledger)) == before
    other = Doors(ledger, "network", "192.0.2.8", clock)
    assert other.sign_in("Ann Example", PASSPHRASE).name == "Ann Example"
    assert doors(ledger, clock).sign_in("Ann Example", PASSPHRASE).name == "Ann Example"
    clock.at += ADDRESS_WAIT
    assert door.sign_in("Ann Example", PASSPHRASE).name == "Ann Example"


def test_a_pin_is_good_at_the_bench_only(ledger: Ledger, clock: Clock) -> None:
    assert doors(ledger, clock).sign_in("Bo Invented", PIN).name == "Bo Invented"
    with pytest.raises(WrongSecret, match="use a passphrase"):
        doors(ledger, clock, "network").sign_in("Bo Invented", PIN)


def test_nobody_is_let_in_when_it_cannot_be_written(ledger: Ledger, clock: Clock) -> None:
    full = LedgerFull("The disk is full.")
    with patch.object(Ledger, "append", side_effect=full), pytest.raises(LedgerFull):
        doors(ledger, clock).sign_in("Ann Example", PASSPHRASE)


def signed(
    door: Doors, name: str, secret: str, right: Right, about: str | None = None
) -> PersonRow:
    door.demand(active_person(door.ledger.reader, name), right, about=about)
    return door.sign_in(name, secret, reason=right)


def test_a_signature_needs_right_and_secret(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock, "command")
    assert signed(door, "Ann Example", PASSPHRASE, Right.CALIBRATE).name == "Ann Example"
    assert ledger.reader.audit(limit=1)[0].detail == Right.CALIBRATE
    with pytest.raises(NotAllowed, match="Bo Invented is an installer"):
        signed(door, "Bo Invented", PIN, Right.CALIBRATE)
    assert events(ledger)[0] == ("refused", "Bo Invented")
    with pytest.raises(NotAllowed, match="not on record"):
        signed(door, "Cy Unknown", PASSPHRASE, Right.CALIBRATE)


@pytest.mark.parametrize("own", ["Ann Example", "ann  example"])
def test_a_signature_for_oneself_is_refused_and_noted(
    ledger: Ledger, clock: Clock, own: str
) -> None:
    door = doors(ledger, clock, "command")
    with pytest.raises(NotAllowed, match="another lead must do it"):
        signed(door, "Ann Example", PASSPHRASE, Right.CERTIFY, about=own)
    assert events(ledger)[0] == ("refused", "Ann Example")
    assert signed(door, "Ann Example", PASSPHRASE, Right.CERTIFY, about="Bo Invented")


def test_the_first_lead_is_made_by_the_code_once(blank: Ledger, clock: Clock) -> None:
    door = doors(blank, clock)
    code = door.show_code()
    assert code is not None
    with pytest.raises(WrongSecret):
        door.first_lead("0000-0000-0000", "Ann Example", PASSPHRASE)
    with pytest.raises(BadInput):
        door.first_lead(code, "Ann Example", "short")
    assert door.first_lead(code, " Ann  Example ", PASSPHRASE).role == "lead"
    assert events(blank) == [
        ("secret_set", "Ann Example"),
        ("person_added", "Ann Example"),
        ("sign_in_failed", CODE),
        ("code_shown", CODE),
    ]
    door.sign_in("Ann Example", PASSPHRASE)
    assert door.show_code() is None
    with pytest.raises(NotAllowed, match="There is a lead"):
        door.first_lead(code, "Cy Invented", PASSPHRASE)


def test_the_code_makes_a_lead_of_somebody_on_record(blank: Ledger, clock: Clock) -> None:
    blank.append(PersonAdded(name="Bo Invented", role="installer"), person="Bo Invented")
    door = doors(blank, clock)
    code = door.show_code()
    assert code is not None
    assert door.first_lead(code, "Bo Invented", PASSPHRASE).role == "lead"
    assert ("role_changed", "Bo Invented") in events(blank)


def test_guessing_the_code_is_locked_out_until_a_new_one(blank: Ledger, clock: Clock) -> None:
    door = doors(blank, clock)
    door.show_code()
    for _ in range(FREE_TRIES):
        with pytest.raises(WrongSecret):
            door.first_lead("1", "Ann Example", PASSPHRASE)
    with pytest.raises(LockedOut):
        door.first_lead("1", "Ann Example", PASSPHRASE)
    code = door.show_code()
    assert code is not None
    door.first_lead(code, "Ann Example", PASSPHRASE)


def test_only_oneself_or_a_lead_gives_a_secret(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock)
    with pytest.raises(NotAllowed):
        door.set_secret(BO, "Ann Example", "eight brown otters")
    assert events(ledger)[0] == ("refused", "Bo Invented")
    door.set_secret(BO, "Bo Invented", "nine brown otters")
    door.set_secret(ANN, "Bo Invented", "eight brown otters")
    door.sign_in("Bo Invented", "eight brown otters")
    with pytest.raises(WrongSecret):
        door.sign_in("Bo Invented", PIN)


def test_a_secret_that_was_not_noted_is_not_kept(ledger: Ledger, clock: Clock) -> None:
    with patch.object(Ledger, "append", side_effect=LedgerFull("full")), pytest.raises(LedgerFull):
        doors(ledger, clock).set_secret(ANN, "Ann Example", "eight brown otters")
    assert SecretFile(ledger.path).matches("Ann Example", PASSPHRASE)


@pytest.mark.parametrize("actor", [BO, Person("Cy", "apprentice"), Person("Dee", "no role")])
def test_nobody_but_a_lead_changes_people(ledger: Ledger, clock: Clock, actor: Person) -> None:
    door = doors(ledger, clock)
    before = ledger.reader.people(former=True)
    for act in (
        lambda: door.add(actor, "Eve Invented", "lead"),
        lambda: door.change_role(actor, "Bo Invented", "lead"),
        lambda: door.leave(actor, "Ann Example"),
    ):
        with pytest.raises(NotAllowed):
            act()
        assert events(ledger)[0] == ("refused", actor.name)
    assert ledger.reader.people(former=True) == before


def test_a_lead_adds_changes_and_lets_leave(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock)
    assert door.add(ANN, " Cy  Invented", "apprentice").name == "Cy Invented"
    assert door.change_role(ANN, "Cy Invented", "installer", "certified").role == "installer"
    give_secret(ledger, "Cy Invented", "nine brown otters")
    door.leave(ANN, "Cy Invented", "moved away")
    assert "Cy Invented" not in SecretFile(ledger.path).kinds()
    with pytest.raises(WrongSecret):
        door.sign_in("Cy Invented", "nine brown otters")
    with pytest.raises(NotAllowed, match="has left"):
        active_person(ledger.reader, "Cy Invented")
    assert door.add(ANN, "Cy Invented", "installer").active


@pytest.mark.parametrize(
    "name", ["Ann Example", "ANN example", "Ann  Example", "A" * 61, "a\u202eb"]
)
def test_a_name_that_could_be_taken_for_another_is_refused(
    ledger: Ledger, clock: Clock, name: str
) -> None:
    with pytest.raises(BadInput):
        doors(ledger, clock).add(ANN, name, "lead")


@pytest.mark.parametrize("role", ["owner", "", "Lead"])
def test_a_word_that_is_no_role_is_refused(ledger: Ledger, clock: Clock, role: str) -> None:
    with pytest.raises(BadInput, match="is no role"):
        doors(ledger, clock).add(ANN, "Cy Invented", role)


def test_the_last_lead_who_can_sign_in_stays(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock)
    door.add(ANN, "Cy Invented", "lead")
    with pytest.raises(BadInput, match="only lead who can sign in"):
        door.change_role(ANN, "Ann Example", "installer")
    with pytest.raises(BadInput, match="only lead who can sign in"):
        door.leave(ANN, "Ann Example")
    give_secret(ledger, "Cy Invented", PIN)
    assert len(leads_with_secret(ledger.reader, SecretFile(ledger.path))) == 2
    assert len(leads_with_secret(ledger.reader, SecretFile(ledger.path), passphrase=True)) == 1
    door.leave(ANN, "Ann Example")


def test_in_an_invented_ledger_the_audit_is_marked_as_such(blank: Ledger, clock: Clock) -> None:
    blank.append(PersonAdded(name="Ann Example", role="lead", demo=True), person="Ann Example")
    give_secret(blank, "Ann Example")
    doors(blank, clock).sign_in("Ann Example", PASSPHRASE)
    assert all(entry.payload.demo for entry in blank.reader.entries())


def test_names_lock_alike_whether_they_are_on_record_or_not(ledger: Ledger, clock: Clock) -> None:
    door = doors(ledger, clock)
    said: dict[str, list[str]] = {"Ann Example": [], "Cy Unknown": [], "Di Unknown": []}
    for name, heard in said.items():
        for _ in range(FREE_TRIES + 1):
            with pytest.raises((WrongSecret, LockedOut)) as refused:
                door.sign_in(name, "not the passphrase")
            heard.append(str(refused.value))
    assert said["Ann Example"] == said["Cy Unknown"] == said["Di Unknown"]
    assert "wait 30 seconds" in said["Cy Unknown"][-1]


def spellings(name: str) -> Iterator[str]:
    """The name with one letter put for another that Unicode's table calls alike."""
    for place, letter in enumerate(name):
        for pair in confusables.confusables_data.get(letter, ()):
            yield name[:place] + pair["c"] + name[place + 1 :]


def test_a_hundred_confusable_spellings_of_a_name_are_refused(ledger: Ledger, clock: Clock) -> None:
    door, lead = doors(ledger, clock), ledger.reader.person("Ann Example")
    assert lead is not None
    every = sorted({" ".join(one.split()) for one in spellings("Ann Example")} - {"Ann Example"})
    assert len(every) > 100
    for spelled in random.Random(5).sample(every, 100):
        with pytest.raises(BadInput) as refused:
            door.add(lead, spelled, "lead")
        said = str(refused.value)
        assert "Ann Example is on record already" in said or "cannot be seen" in said
    for other in ("Anna Example", "Ann Exampla", "Anm Example", "Аня"):
        assert door.add(lead, other, "installer").name == other
