from pathlib import Path

import pytest

from station.simulation.launch import SimulatedInstrument
from tests.benchmarks import reconnect


def test_unplugged_and_replugged_a_pull_is_void_and_the_tester_found_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # So few only show that it works; `python -m tests.benchmarks.reconnect` measures.
    monkeypatch.setattr(reconnect, "CYCLES", 2)
    with SimulatedInstrument("pull_tester", paced=False, link=tmp_path / "by-id") as tester:
        assert reconnect.cycle(tester) == (2, 2)
