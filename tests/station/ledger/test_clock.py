import time
from datetime import UTC
from pathlib import Path

import pytest

from station.ledger import clock


@pytest.mark.parametrize("synced", [True, False])
def test_the_clock_counts_as_synced_when_systemd_says_so(
    synced: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Source: systemd-timesyncd(8), the file per boot since version 239; read, not tried on a Pi.
    mark = tmp_path / "synchronized"
    if synced:
        mark.touch()
    monkeypatch.setattr(clock, "SYNCHRONIZED_FILE", mark)
    assert clock.now().clock_synced is synced


def test_the_boot_is_named_or_left_empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    boot_id = tmp_path / "boot_id"
    boot_id.write_text("1234-5678\n")
    monkeypatch.setattr(clock, "BOOT_ID_FILE", boot_id)
    assert clock.now().boot_id == "1234-5678"
    monkeypatch.setattr(clock, "BOOT_ID_FILE", tmp_path / "missing")
    assert clock.now().boot_id == ""


def test_the_moment_is_utc_and_lies_between_two_readings_of_the_boot_clock() -> None:
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    moment = clock.now()
    after_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    assert moment.at_utc.tzinfo is UTC
    assert before_s <= moment.monotonic_s <= after_s
