"""Rows are plain: whoever works with them loads no database."""

import subprocess
import sys

import pytest


@pytest.mark.parametrize("module", ["rows", "entries", "entry", "traces", "chain"])
def test_no_sql_is_loaded(module: str) -> None:
    code = f"import sys, station.ledger.{module}; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
