import pytest

from tests.benchmarks import crash


def test_a_few_killed_stations_lose_nothing_that_was_acknowledged(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(crash, "KILLS", 6)
    monkeypatch.setattr(crash, "NORMAL_ENDS", 2)
    figures = crash.measure().figures
    assert figures["kills"] == 6
    assert figures["of_them_while_a_sample_was_written"] == 3
    assert figures["acknowledged_and_missing"] == 0
    assert figures["ledgers_not_verified"] == 0
    assert int(str(figures["left_open_at_most"])) <= 1
    assert int(str(figures["samples_acknowledged"])) >= 2
