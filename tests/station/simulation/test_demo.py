from station.settings import Settings
from station.simulation.demo import RUN_LENGTH, as_the_demo_judges


def test_an_invented_ledger_is_judged_as_the_demo_judges_it() -> None:
    served = as_the_demo_judges(Settings(bench="bench-7"), invented=True)
    assert served.wear_watch_run_length == RUN_LENGTH
    assert served.bench == "bench-7"


def test_a_real_ledger_and_what_the_settings_name_stay_as_they_are() -> None:
    assert as_the_demo_judges(Settings(), invented=False) == Settings()
    length = as_the_demo_judges(Settings(wear_watch_run_length=800.0), invented=True)
    assert length.wear_watch_run_length == 800.0
