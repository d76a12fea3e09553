"""The clock of the machine, as the ledger wants it."""

import time
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from station.ledger.chain import Moment

SYNCHRONIZED_FILE = Path("/run/systemd/timesync/synchronized")
"""Exists once systemd has set the clock from the network since the machine started."""

BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")


def now() -> Moment:
    """Return the present moment.

    A clock that was set by another service than systemd's counts as not synced, and a machine
    without a boot id gets an empty one: both are on record and neither stops the bench.
    """
    return Moment(
        at_utc=datetime.now(UTC),
        clock_synced=SYNCHRONIZED_FILE.exists(),
        boot_id=_boot_id(BOOT_ID_FILE),
        monotonic_s=time.clock_gettime(time.CLOCK_BOOTTIME),
    )


@cache
def _boot_id(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip()
    except OSError:
        return ""
