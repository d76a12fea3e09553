"""The demo's ledger, made once by its own process for all who need one."""

import json
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demo ledger after its first headless run; to be copied where it is written to."""
    path = tmp_path_factory.mktemp("demo") / "demo.ledger"
    done = subprocess.run(
        [sys.executable, "-m", "station", "demo", "--ledger", str(path),
         "--headless", "--json", "--days", "5"],
        capture_output=True, text=True, timeout=120.0, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["verdict"] == "pass"
    return path
