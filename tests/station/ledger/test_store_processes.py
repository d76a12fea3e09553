"""The ledger under several processes and under sudden death."""

import itertools
import subprocess
import sys
from pathlib import Path

import pytest

from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

CHILD = Path(__file__).with_name("appending_child.py")
ROOT = Path(__file__).parents[3]


def start(path: Path, name: str, number: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(CHILD), str(path), name, str(number)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT)},
    )


@pytest.mark.parametrize("acknowledged", [1, 40, 160])
def test_what_was_acknowledged_survives_a_kill(ledger_path: Path, acknowledged: int) -> None:
    with start(ledger_path, "Ana", 0) as child:
        assert child.stdout is not None
        lines = list(itertools.islice(child.stdout, acknowledged))
        child.kill()
        # What the child printed between the last line read and its end was acknowledged as well.
        lines += [line for line in child.stdout if line.endswith("\n")]
    with Ledger.open(ledger_path) as ledger:
        written = {entry.id for entry in ledger.reader.entries()}
        assert {line.strip() for line in lines} <= written
        # At most one entry was committed and not yet printed.
        assert len(written) - len(lines) in (0, 1)
        report = verify_ledger(ledger.path)
        assert (report.entries, report.first_bad) == (len(written), None)
        assert (
            ledger.append(next(ledger.reader.entries()).payload, person="Bo").seq
            == len(written) + 1
        )


def test_two_processes_keep_one_chain(ledger_path: Path) -> None:
    with start(ledger_path, "Ana", 60) as one, start(ledger_path, "Bo", 60) as two:
        printed = [process.communicate()[0].split() for process in (one, two)]
        assert (one.returncode, two.returncode) == (0, 0)
    with Ledger.open(ledger_path) as ledger:
        entries = list(ledger.reader.entries())
        for name, ids in zip(("Ana", "Bo"), printed, strict=True):
            assert [entry.id for entry in entries if entry.person == name] == ids
        assert [entry.seq for entry in entries] == list(range(1, 121))
        assert verify_ledger(ledger.path).first_bad is None
