"""Fixtures that several tests of the station share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import postgres as operating_systems
from tests.postgres import Postgres
from tests.station.jobs.job_hands import Shop, opened_shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    """An invented shop, ready for its daily check."""
    with opened_shop(tmp_path) as opened:
        yield opened


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """PostgreSQL, started once for all."""
    with operating_systems.running() as server:
        yield server
