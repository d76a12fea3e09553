import pytest

from tests.benchmarks import benches, invented_ledger


def test_a_small_one_measures_everything(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(benches, "TURNS", 2)
    monkeypatch.setattr(benches, "BLOCKS", 1)
    monkeypatch.setattr(benches, "TEMPLATE_SAMPLES", 100)
    monkeypatch.setattr(invented_ledger, "DAYS", 3)
    figures = benches.measure(3, 3000).figures
    assert (figures["benches"], figures["entries"], figures["small_entries"]) == (3, 3000, 750)
    assert float(str(figures["append_over_bare_copy"])) > 0.0
    assert 500.0 < float(str(figures["bytes_an_entry"])) < 10_000.0
    assert all(float(str(figures[f"{name}_over_small"])) > 0.0 for name in (
        "all_benches", "one_bench", "recent_of_one_bench"
    ))  # fmt: skip
    assert float(str(figures["page_sharing_over_alone"])) > 0.0
