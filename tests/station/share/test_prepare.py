"""Making the shared record ready, and who gets in."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import NullPool, create_engine

from station.errors import BadInput, SharedAway, SharedRefused
from station.settings import ShareSettings
from station.share.database import shared_record
from station.share.prepare import prepare, role_of
from station.share.push import push, standing
from tests.station.share.conftest import Record

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

SECRET = "a-secret-that-is-nowhere"


def test_twice_changes_nothing_but_passwords(
    record: Record, bench_ledger: Callable[[str], Path], tmp_path: Path
) -> None:
    ledger, admin = bench_ledger("bench-7"), record.server.where(record.database)
    wheres = []
    for folder in ("first", "second"):
        (added,) = prepare(admin, ["bench-7"], (), tmp_path / folder)
        url = record.server.url(str(added["role"]), record.database)
        wheres.append(ShareSettings(database=url, passfile=Path(str(added["passfile"]))))
        push(ledger, wheres[-1])
    assert standing(ledger, wheres[1]).behind == 0
    with pytest.raises(SharedAway, match="password authentication failed"):
        standing(ledger, wheres[0])


def test_passfiles_are_their_owners_and_the_server_s_log_has_no_password(
    record: Record, tmp_path: Path
) -> None:
    with record.engine().begin() as connection:
        connection.exec_driver_sql(f"ALTER DATABASE {record.database} SET log_statement = 'all'")
    admin = record.server.where(record.database)
    added = prepare(admin, ['odd: \\ "bench"/1'], ["bo"], tmp_path / "keys")
    assert len(added) == 2
    for one in added:
        path = Path(str(one["passfile"]))
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.read_text(encoding="utf-8").strip().rsplit(":", 1)[1] not in record.server.log
        own = record.engine().url.set(username=one["role"])
        options = {"passfile": str(path)}
        engine = create_engine(own, connect_args=options, poolclass=NullPool)
        with engine.connect() as connection:
            assert connection.exec_driver_sql("SELECT * FROM shared.benches").fetchall()
    assert "ALTER ROLE bo PASSWORD" in record.server.log


def test_a_name_that_is_too_long_is_refused(record: Record) -> None:
    assert role_of("b" * 40) == "bench_" + "b" * 40
    with pytest.raises(BadInput, match="too long for a role"):
        prepare(record.server.where(record.database), ["é" * 40], (), None)


def test_who_is_no_administrator_cannot_prepare(record: Record) -> None:
    with pytest.raises((SharedRefused, BadInput), match=r"permission denied|must be owner"):
        prepare(record.where(), ["bench-5"], (), None)


def test_a_database_that_is_not_prepared_says_so(record: Record, ledger_file: Path) -> None:
    empty = record.server.where(record.server.database())
    with pytest.raises(BadInput, match="station share prepare"):
        standing(ledger_file, empty)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (f"postgresql://ann:{SECRET}@/shared", "holds a password"),
        (f"postgresql://ann@/shared?password={SECRET}", "holds a password"),
        ("sqlite:///shared.db", "a PostgreSQL, not 'sqlite'"),
        ("what is this", "cannot be read"),
    ],
)
def test_an_address_that_cannot_be_used_is_told_without_its_secret(
    ledger_file: Path, address: str, words: str
) -> None:
    with pytest.raises(BadInput, match=words) as refused:
        push(ledger_file, ShareSettings(database=address))
    assert SECRET not in str(refused.value)


def test_a_passfile_that_others_can_read_is_refused(ledger_file: Path, tmp_path: Path) -> None:
    where = ShareSettings(passfile=tmp_path / "open.pgpass")
    with pytest.raises(BadInput, match="cannot be read"):
        push(ledger_file, where)
    (tmp_path / "open.pgpass").touch(0o640)
    with pytest.raises(BadInput, match="Others can read the passfile"):
        push(ledger_file, where)


def test_no_server_and_no_database_are_told(
    record: Record, ledger_file: Path, tmp_path: Path
) -> None:
    for where in (
        ShareSettings(database=f"postgresql:///shared?host={tmp_path}"),
        record.server.where("no_such"),
    ):
        with pytest.raises(SharedAway, match="cannot be reached"):
            push(ledger_file, where)


def test_both_ends_give_up_one_that_vanished_without_a_word(record: Record) -> None:
    """As by a power cut, over TCP. That a Unix socket has no such settings is PostgreSQL's."""
    with shared_record(record.where()).connect() as there:
        driver: Any = there.connection.driver_connection
        given = driver.info.get_parameters()
    assert (given["keepalives_idle"], given["tcp_user_timeout"]) == ("10", "30000")
    assert given["options"].split(" -c ")[0] == "-c tcp_keepalives_idle=10"
