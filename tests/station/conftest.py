"""Fixtures that several tests of the station share."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.station.jobs.job_hands import Shop, opened_shop

# A slow machine is no fault of what is tested.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    """An invented shop, ready for its daily check."""
    with opened_shop(tmp_path) as opened:
        yield opened
