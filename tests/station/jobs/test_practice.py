"""Practice sets of invented apprentices."""

from dataclasses import replace
from pathlib import Path

from station.crimp.facts import shipped_causes
from station.jobs.practice import SET, practice_sets
from station.ledger.store import Ledger
from station.shop.trend import NOT_OF_THE_NEST
from tests.web import invented

APPRENTICE = "Bo Invented"


def practised(ledger: Ledger, peak_n: float, **asked: str) -> None:
    order = invented.order_of(APPRENTICE, "blue")
    order = replace(order, **{"job": "practice", **asked})  # type: ignore[arg-type]
    sample_id = ledger.append(invented.begun(order), person=order.person).id
    void = "it fell" if peak_n == 0.0 else None
    invented.finish(ledger, sample_id, order, peak_n=peak_n, void_reason=void)


def test_the_last_five_count_and_voids_do_not(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "station.ledger") as ledger:
        invented.write_history(ledger)
        assert practice_sets(ledger.reader, shipped_causes()) == []
        for peak_n in (60.0, 140.0, 0.0):
            practised(ledger, peak_n)
        practised(ledger, 140.0, job="daily_check")
        practised(ledger, 140.0, person="Ann Example")
        [found] = practice_sets(ledger.reader, shipped_causes())
        assert found.person == APPRENTICE
        assert (len(found.samples), found.passed, found.left) == (2, 1, 3)
        # Drawn out far below the limit: one fault, with what to look at.
        assert [count for _, _, _, count in found.to_practise] == [1]
        assert all(cause and hint and look_at for cause, hint, look_at, _ in found.to_practise)
        for _ in range(SET):
            practised(ledger, 150.0)
        [found] = practice_sets(ledger.reader, shipped_causes())
        assert (found.passed, found.left, found.to_practise) == (SET, 0, ())


def test_practice_says_nothing_of_the_nest() -> None:
    assert "practice" in NOT_OF_THE_NEST
