"""What holds for every test."""

import gc
from collections.abc import Iterator

import pytest
from hypothesis import settings

from tests.forked import forked

# A machine may be slow or busy: no test is about how long an example takes.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


def pytest_collection_finish() -> None:
    """Let the collector pass over what stays to the end anyway: a tenth of the suite's time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.fixture(scope="session", autouse=True)
def _forked_instruments() -> Iterator[None]:
    with forked():
        yield
