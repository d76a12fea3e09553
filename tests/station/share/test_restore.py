"""A new Pi gets its bench back from the shared record, or a plain word why not."""

from pathlib import Path

import pytest
from sqlalchemy import text

from station.errors import BadInput, SharedRefused
from station.ledger.entries import PersonAdded, PhotoDropped
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.settings import ShareSettings
from station.share.push import push, standing
from station.share.restore import restore_bench
from tests.station.ledger.invented_entries import stored_photo
from tests.station.share.conftest import Record, contents

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)


def test_a_new_pi_goes_on_where_the_old_one_was(
    record: Record, ledger_file: Path, tmp_path: Path
) -> None:
    push(ledger_file, record.where())
    told: list[tuple[int, int]] = []
    again = tmp_path / "new.ledger"
    report = restore_bench(record.where(), "bench-1", again, lambda *done: told.append(done))
    assert report.fault is None
    assert report.entries == len(contents(ledger_file))
    assert told
    with Ledger.open(again, create=False) as ledger:
        last = next(entry for entry in ledger.reader.entries("person_added"))
        ledger.append(last.payload.model_copy(update={"name": "New One"}), person="New One")
    assert push(again, record.where()) == 1
    assert verify_ledger(again).fault is None
    with pytest.raises(SharedRefused, match="older copy"):
        push(ledger_file, record.where())


def test_a_photo_comes_back_unless_it_was_dropped_since(
    record: Record, ledger_file: Path, tmp_path: Path
) -> None:
    with Ledger.open(ledger_file) as ledger:
        sample_id = ledger.reader.samples(limit=1)[0].sample_id
        pictures = [stored_photo(sample_id, b"sent %d" % number) for number in range(2)]
        for taken, data in pictures:
            ledger.append(taken, person="Bo", traces=data)
        push(ledger_file, record.where())
        (kept, data), (gone, _) = pictures
        ledger.append(PhotoDropped(sha256=gone.sha256, reason="no room"), person="Bo")
    assert push(ledger_file, record.where()) == 1
    again = tmp_path / "new.ledger"
    assert restore_bench(record.where(), "bench-1", again).fault is None
    with Ledger.open(again, create=False) as ledger:
        assert ledger.reader.trace(kept.sha256) == data[kept.sha256]
        assert ledger.reader.trace(gone.sha256) is None


def test_a_ledger_that_stands_there_stays(record: Record, ledger_file: Path) -> None:
    push(ledger_file, record.where())
    before = ledger_file.read_bytes()
    with pytest.raises(BadInput, match="exists already"):
        restore_bench(record.where(), "bench-1", ledger_file)
    assert ledger_file.read_bytes() == before


def test_a_bench_gets_no_other_s_ledger(record: Record, ledger_file: Path, tmp_path: Path) -> None:
    record.add("bench-2", readers=("ann",))
    push(ledger_file, record.where())
    with pytest.raises(BadInput, match="has nothing of 'bench-1' that this role may read"):
        restore_bench(record.where("bench-2"), "bench-1", tmp_path / "new.ledger")
    assert not (tmp_path / "new.ledger").exists()


def test_who_reads_all_makes_a_copy_of_any_bench_to_look_at_and_can_send_nothing_of_it(
    record: Record, ledger_file: Path, tmp_path: Path
) -> None:
    record.add("bench-2", readers=("ann",))
    push(ledger_file, record.where())
    url = record.server.url("ann", record.database)
    reader = ShareSettings(database=url, passfile=record.passfile("ann"))
    copy = tmp_path / "copy.ledger"
    assert restore_bench(reader, "bench-1", copy) == verify_ledger(ledger_file)
    with Ledger.open(copy, create=False) as ledger:
        ledger.append(PersonAdded(name="Not There", role="lead"), person="Not There")
    with pytest.raises(SharedRefused, match="permission denied"):
        push(copy, reader)
    assert standing(ledger_file, record.where()).behind == 0


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("UPDATE shared.entry SET person = 'X' WHERE seq = 9", "Entry 9 does not match its hash"),
        ("DELETE FROM shared.entry WHERE seq = 9", "Entry 10 of bench-1 does not follow"),
        ("DELETE FROM shared.trace", "is missing"),
        ("UPDATE shared.trace SET data = 'x'", "cannot be uncompressed"),
    ],
)
def test_what_an_owner_spoiled_on_purpose_makes_no_ledger(
    record: Record, ledger_file: Path, tmp_path: Path, harm: str, words: str
) -> None:
    push(ledger_file, record.where())
    with record.engine().begin() as connection:
        for table in ("entry", "trace"):
            connection.execute(text(f"ALTER TABLE shared.{table} DISABLE TRIGGER only_grows"))
        connection.execute(text(harm))
    with pytest.raises(ValueError, match=words):
        restore_bench(record.where(), "bench-1", tmp_path / "new.ledger")
    assert not (tmp_path / "new.ledger").exists()
