"""Calling commands on a ledger, for tests: exit code, and the JSON document or the sentence."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run

Cli = Callable[..., tuple[int, Any]]


def caller(group: str, path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    """Return a way to call the commands of a group on a ledger."""

    def call(*arguments: str) -> tuple[int, Any]:
        code = run([group, *arguments, "--ledger", str(path), "--json"])
        printed = capsys.readouterr()
        return code, json.loads(printed.out) if printed.out else printed.err

    return call
