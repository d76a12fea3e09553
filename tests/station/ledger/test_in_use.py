import os
import subprocess
import sys
from pathlib import Path

import pytest

from station.errors import LedgerInUse, LedgerReadOnly
from station.ledger.in_use import SUFFIX, ledger_in_use
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger

ROOT = Path(__file__).parents[3]
HOLDER = """
import sys
from pathlib import Path
from station.ledger.in_use import ledger_in_use
with ledger_in_use(Path(sys.argv[1]), "the station"):
    print("held", flush=True)
    sys.stdin.read()
"""


def holder(path: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT)},
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "held\n"
    return child


def test_a_second_station_is_told_who_has_the_ledger(tmp_path: Path) -> None:
    path = tmp_path / "one.ledger"
    with holder(path) as child:
        told = pytest.raises(LedgerInUse, match="in use by the station, process")
        with told as refused, ledger_in_use(path):
            pass
        assert str(path) in str(refused.value)
        assert f"process {child.pid}:" in str(refused.value)
        child.kill()


def test_a_killed_station_leaves_the_ledger_free(tmp_path: Path) -> None:
    path = tmp_path / "one.ledger"
    with holder(path) as child:
        child.kill()
        child.wait()
        with ledger_in_use(path):
            note = path.with_name(path.name + SUFFIX).read_text()
    assert note == f"a station, process {os.getpid()}\n"


def test_one_program_cannot_take_it_twice(tmp_path: Path) -> None:
    path = tmp_path / "one.ledger"
    with ledger_in_use(path):
        with pytest.raises(LedgerInUse), ledger_in_use(path):
            pass
        with ledger_in_use(tmp_path / "other.ledger"):
            pass


def test_the_ledger_itself_stays_open_to_its_other_programs(tmp_path: Path) -> None:
    path = tmp_path / "one.ledger"
    with ledger_in_use(path), Ledger.open(path), Ledger.open(path) as second:
        assert verify_ledger(second.path).first_bad is None


def test_a_folder_that_takes_no_files_is_named() -> None:
    # /proc takes no new files, not even from root.
    refused = pytest.raises(LedgerReadOnly, match=r"/proc/one\.ledger cannot be taken into use")
    with refused, ledger_in_use(Path("/proc/one.ledger")):
        pass
