from pathlib import Path

import pytest

from tests.benchmarks import invented_ledger, million


def test_a_small_one_measures_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(million, "PAIRS", 5)
    monkeypatch.setattr(million, "ASKED", 1)
    monkeypatch.setattr(invented_ledger, "DAYS", 8)
    monkeypatch.setattr(million, "smallest", lambda samples: samples // 2)
    figures = million.measure(600, tmp_path).figures
    grown = [name for name in figures if name.endswith(": growth")]
    assert len(grown) == 15
    assert float(str(figures["append_over_bare_at_most"])) > 1.0
    assert float(str(figures["verify_progress_calls_at_600"])) >= 2
    assert list(tmp_path.iterdir()) == []
