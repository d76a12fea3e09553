"""A command loads what it needs; how long that takes is the benchmark's matter."""

from tests.benchmarks.start import COMMAND, MOST_MODULES, modules_of

HEAVY = {"pydantic", "scipy", "rich", "babel", "sqlalchemy", "matplotlib", "numpy",
         "flask", "serial"}  # fmt: skip


def test_wire_loads_what_it_needs() -> None:
    loaded = modules_of(COMMAND)
    assert "station.crimp.wire" in loaded
    assert len(loaded) <= MOST_MODULES
    assert loaded & HEAVY == set()


def test_a_study_loads_no_ledger() -> None:
    loaded = modules_of(["study", "charts", "--help"])
    assert "station.statistics.charts" in loaded
    assert loaded & {"sqlalchemy", "matplotlib", "flask", "serial"} == set()
