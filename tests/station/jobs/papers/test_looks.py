"""What papers say of the looks at a job's samples."""

from station.crimp.facts import shipped_book
from station.jobs.papers.looks import look_rows


def test_answers_are_counted_by_question() -> None:
    seen = [
        ("butt-splice-red", {"sleeve-whole": True, "centred": False}),
        ("butt-splice-blue", {"sleeve-whole": False, "centred": False}),
        # A connector that is no longer at hand: what was answered is told all the same.
        ("gone", {"sleeve-whole": True, "no-such-look": True}),
    ]
    rows = {row.item.id: row[1:] for row in look_rows(shipped_book(), seen)}
    assert rows["sleeve-whole"] == (2, 1, 0)
    assert rows["centred"] == (0, 2, 0)
    assert rows["no-stray-strand"] == (0, 0, 2)
    assert "no-such-look" not in rows


def test_nothing_is_told_where_nobody_was_asked() -> None:
    assert look_rows(shipped_book(), [("butt-splice-red", {})]) == []
