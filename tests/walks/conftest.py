"""The invented shop, made once: each walk works on copies of it."""

from pathlib import Path

import pytest

from tests.walks.daily_check import invent_shop


@pytest.fixture(scope="session")
def invented_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("shop") / "demo.ledger"
    invent_shop(path, days=15)
    return path
