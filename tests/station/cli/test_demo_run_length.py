from station.cli.bench import DEMO_RUN_LENGTH, as_calm_as_the_demo
from station.settings import Settings


def test_an_invented_ledger_is_served_as_the_demo_serves_it() -> None:
    served = as_calm_as_the_demo(Settings(bench="bench-7"), invented=True)
    assert served.wear_watch_run_length == DEMO_RUN_LENGTH
    assert served.bench == "bench-7"


def test_a_real_ledger_and_a_stated_run_length_stay_as_they_are() -> None:
    real = Settings()
    assert as_calm_as_the_demo(real, invented=False).wear_watch_run_length == 5_000
    stated = Settings(wear_watch_run_length=800.0)
    assert as_calm_as_the_demo(stated, invented=True).wear_watch_run_length == 800.0
