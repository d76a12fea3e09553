"""The quick look at a ledger: as sure as the long one, of the entries that it looks at."""

from collections.abc import Callable
from pathlib import Path

import pytest

from station.errors import BadInput, LedgerBusy, LedgerDamaged
from station.ledger.entries import PersonAdded, SampleBegun
from station.ledger.store import Ledger
from station.ledger.verify import check_writable, has_samples, verify_ledger, verify_tail
from tests.station.ledger.test_verify import tampering

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

ANN = PersonAdded(name="Ann Example", role="lead")


@pytest.mark.parametrize("count", [1, 3, 1000])
def test_a_sound_end_is_sound_however_much_is_looked_at(
    full_ledger: Ledger, ledger_path: Path, count: int
) -> None:
    report = verify_tail(ledger_path, count)
    entries = full_ledger.reader.counts().entries
    assert (report.entries, report.checked) == (entries, min(count, entries))
    assert report.first_bad is None
    last = list(full_ledger.reader.entries())[-1]
    assert (report.bench, report.last_at) == (last.bench, last.at_utc)


@pytest.mark.parametrize("seq", [1, 2, 9])
def test_what_was_changed_is_named_as_the_long_look_names_it(
    full_ledger: Ledger, ledger_path: Path, seq: int
) -> None:
    with tampering(ledger_path) as connection:
        connection.execute("UPDATE entry SET person = 'Somebody' WHERE seq = ?", (seq,))
    assert verify_tail(ledger_path).first_bad == verify_ledger(ledger_path).first_bad
    assert f"entry {seq} (" in (verify_tail(ledger_path).first_bad or "")


def test_what_lies_before_the_end_is_left_to_the_long_look(
    full_ledger: Ledger, ledger_path: Path
) -> None:
    with tampering(ledger_path) as connection:
        connection.execute("UPDATE sample SET verdict = 'fail' WHERE begun_seq = 5")
    assert verify_tail(ledger_path, 3).first_bad is None
    assert "verdict is 'fail', the entries say 'pass'" in (verify_tail(ledger_path).first_bad or "")


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ("UPDATE person SET role = 'lead' WHERE name = 'Bo'", "person Bo: role is 'lead'"),
        ("DELETE FROM person WHERE name = 'Bo'", "person Bo: it is missing"),
        ("DELETE FROM nest_hold", "nest_hold "),
        ("UPDATE sample SET nest = 'Z' WHERE begun_seq = 21", "sample 21: nest is 'Z'"),
    ],
)
def test_what_people_look_at_is_compared_with_the_last_entries(
    full_ledger: Ledger, ledger_path: Path, change: str, named: str
) -> None:
    tail = full_ledger.reader.head().seq - 6
    assert verify_tail(ledger_path, tail).first_bad is None
    with tampering(ledger_path) as connection:
        assert connection.execute(change).rowcount
    assert (verify_tail(ledger_path, tail).first_bad or "").startswith(named)


def test_entries_that_are_gone_are_missed(full_ledger: Ledger, ledger_path: Path) -> None:
    with tampering(ledger_path) as connection:
        connection.execute("DELETE FROM entry WHERE seq > 5")
    assert "the record ends at entry 5" in (verify_tail(ledger_path).first_bad or "")
    with tampering(ledger_path) as connection:
        connection.execute("DELETE FROM entry")
    report = verify_tail(ledger_path)
    assert "the record ends at entry 0" in (report.first_bad or "")
    assert report.last_at is None


def test_an_empty_ledger_is_sound(ledger: Ledger, ledger_path: Path) -> None:
    report = verify_tail(ledger_path)
    assert (report.entries, report.checked, report.first_bad) == (0, 0, None)


def test_what_is_no_ledger_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no ledger at"):
        verify_tail(tmp_path / "none")
    (tmp_path / "text").write_text("a shopping list, long enough to be no empty file")
    with pytest.raises(LedgerDamaged):
        verify_tail(tmp_path / "text")


def test_the_lock_is_tried_and_left(ledger: Ledger, ledger_path: Path) -> None:
    check_writable(ledger_path)
    with ledger.transaction():
        ledger.append(ANN, person="Ann Example")
        with pytest.raises(LedgerBusy, match="locked by another program"):
            check_writable(ledger_path, patience_s=0.01)
    check_writable(ledger_path)
    ledger.append(ANN, person="Ann Example")


def test_invented_and_real_samples_are_told_apart(
    ledger: Ledger, ledger_path: Path, begun: Callable[..., SampleBegun]
) -> None:
    def found() -> tuple[bool, bool]:
        return has_samples(ledger_path, demo=True), has_samples(ledger_path, demo=False)

    assert found() == (False, False)
    ledger.append(begun(demo=True), person="Ann Example")
    assert found() == (True, False)
    ledger.append(begun(), person="Ann Example")
    assert found() == (True, True)
