"""How each nest stands."""

from hypothesis import given
from hypothesis import strategies as st

from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.trend_cache import TrendCache
from web.nests import (
    SPARK_HEIGHT,
    SPARK_WIDTH,
    nest_statuses,
    spark_points,
)


def test_worn_nests_come_first(ledger: Ledger, records: LedgerReader) -> None:
    book = TrendCache(ledger.path, run_length=1_000_000)
    statuses = nest_statuses(book.glances(records), ())
    assert [status.state for status in statuses] == ["worn", "doubt", "doubt", "steady"]
    assert statuses[0].trend.nest == "red"


@given(st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=2, max_size=60))
def test_small_curve_stays_in_its_box(scores: list[float]) -> None:
    pairs = [tuple(map(float, pair.split(","))) for pair in spark_points(scores).split()]
    assert len(pairs) == len(scores)
    assert all(0.0 <= x <= SPARK_WIDTH and 0.0 <= y <= SPARK_HEIGHT for x, y in pairs)


def test_a_curve_far_out_still_shows_which_way_it_goes() -> None:
    heights = [float(pair.split(",")[1]) for pair in spark_points([-20.0, -22.0, -25.0]).split()]
    assert heights == sorted(set(heights))
    assert heights[-1] == SPARK_HEIGHT


def test_one_score_is_no_curve() -> None:
    assert spark_points([1.0]) == ""
