from collections.abc import Callable
from pathlib import Path

import pytest

from station.simulation import history
from tests.benchmarks import invented_ledger, million


def test_a_small_one_measures_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(million, "PAIRS", 5)
    monkeypatch.setattr(million, "TURNS", 1)
    monkeypatch.setattr(million, "PARTS", 1)
    monkeypatch.setattr(invented_ledger, "DAYS", 1)
    monkeypatch.setattr(history, "VALIDATION_SAMPLES", 10)
    figures = million.measure(420, tmp_path).figures
    grown = [name for name in figures if name.endswith(": growth")]
    assert len(grown) == 15
    assert float(str(figures["append_over_bare_at_most"])) > 1.0
    assert float(str(figures["verify_progress_calls"])) >= 2
    assert list(tmp_path.iterdir()) == []


def test_a_short_action_in_between_is_not_counted_to_the_long_one() -> None:
    called: list[str] = []

    def long(progress: Callable[[int, int], None]) -> None:
        for done in range(1, 101):
            called.append("long")
            progress(done, 100)

    short_s, long_s, told = million.beside(lambda _progress: called.append("short"), long)
    assert (told, called.count("long")) == (100, 100)
    assert called.count("short") == million.PARTS + 1
    assert called[0] == "long"
    assert short_s > 0.0
    assert long_s > 0.0
