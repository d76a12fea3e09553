"""The entry point: whatever goes wrong ends in one readable sentence and an exit code."""

import os
import shutil
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from station.cli.main import LONGEST_SENTENCE, run, short
from station.ledger.reader import LedgerReader
from station.ledger.verify import verify_ledger


def test_a_sentence_does_not_repeat_all_of_a_huge_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["judge", "--wire", "18 AWG", "--set", "x" * 100_000]) == 2
    told = capsys.readouterr().err
    assert len(told) < LONGEST_SENTENCE + 100
    assert "xxx ... " in told


@pytest.mark.parametrize("length", [0, LONGEST_SENTENCE])
def test_a_sentence_that_can_be_read_is_left_alone(length: int) -> None:
    assert short("a" * length) == "a" * length


def test_an_output_that_cannot_be_written_is_said_in_a_sentence() -> None:
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "station", "wire", "18 AWG"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert ended.returncode == 2
    assert ended.stderr.startswith("This computer could not read or write: No space left")
    assert "Traceback" not in ended.stderr


def test_a_pipe_that_closes_ends_quietly_and_is_no_failed_verdict() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "station", "limits", "18 AWG"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode in (0, 141)


def stopped_in_mid_pull(ledger: Path) -> tuple[int, str]:
    """Exit code and last words of a demo that is stopped by Ctrl-C while it pulls."""
    demo = [sys.executable, "-m", "station", "demo", "--headless"]
    with subprocess.Popen(
        [*demo, "--ledger", str(ledger)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        # Of its own, as at a terminal, where Ctrl-C reaches a program and all that it started.
        start_new_session=True,
        # Whoever runs the suite in the background has it ignored.
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
    ) as process:  # fmt: skip
        assert process.stderr is not None
        said = ""
        while "Pulling" not in said:
            said = process.stderr.readline()
            assert said
        os.killpg(process.pid, signal.SIGINT)
        last = process.stderr.read()
    return process.returncode, last


def test_ctrl_c_in_mid_pull_says_one_word_and_leaves_a_sound_record(
    filled: Path, tmp_path: Path
) -> None:
    for attempt in range(3):
        ledger = tmp_path / f"demo-{attempt}.ledger"
        shutil.copy(filled, ledger)
        code, last = stopped_in_mid_pull(ledger)
        # On a busy machine the pull may be over before the key is pressed: once more then.
        if code != 0:
            break
    assert code == 130
    assert last.endswith("Stopped.\n")
    assert "Traceback" not in last
    assert verify_ledger(ledger).fault is None
    with LedgerReader.open(ledger) as reader:
        assert all(row.finished_seq is None for row in reader.unfinished())
