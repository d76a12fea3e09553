from station.settings import Settings
from station.simulation.demo import RUN_LENGTH, as_the_demo_judges
from station.simulation.workshop import LIMIT_SET


def test_an_invented_ledger_is_judged_as_the_demo_judges_it() -> None:
    served = as_the_demo_judges(Settings(bench="bench-7"), invented=True)
    assert served.wear_watch_run_length == RUN_LENGTH
    assert served.limit_set == LIMIT_SET
    assert served.bench == "bench-7"


def test_a_real_ledger_and_what_the_settings_name_stay_as_they_are() -> None:
    assert as_the_demo_judges(Settings(), invented=False) == Settings()
    length = as_the_demo_judges(Settings(wear_watch_run_length=800.0), invented=True)
    assert (length.wear_watch_run_length, length.limit_set) == (800.0, LIMIT_SET)
    stated = as_the_demo_judges(Settings(limit_set="ul-486a-1991"), invented=True)
    assert (stated.limit_set, stated.wear_watch_run_length) == ("ul-486a-1991", RUN_LENGTH)
