"""Gauge studies on the record: interrupted, gone on with, judged."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from calibration.study_plan import Turn, crossed_turns, nested_turns, reclip_turns
from station.errors import BadInput
from station.ledger.entries import StudyDropped
from station.ledger.store import Ledger
from station.shop.studies import (
    StudyProgress,
    begin,
    reading_for,
    result_of,
    sentences,
    studies,
    study,
    turn_words,
)

METER = "Invented meter"
PUBLISHED = Path(__file__).parents[2] / "published"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "station.ledger"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    with Ledger.open(path) as opened:
        yield opened


def published(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(newline="") as file:
        return list(csv.DictReader(file))


def begun(ledger: Ledger, kind: str, turns: list[Turn], limit: float | None = None) -> str:
    payload = begin(
        kind,
        turns,
        title="An invented study",
        role="tester" if kind == "nested" else "meter",
        instrument=METER,
        seed=1,
        limit=limit,
    )
    return ledger.append(payload, person="Ann").id


def read(
    ledger: Ledger, study_id: str, value: float, turn: int | None = None, reason: str = ""
) -> None:
    progress = study(ledger.reader, study_id)
    turn = progress.next_turn if turn is None else turn
    assert turn is not None
    entry = reading_for(progress, turn, [value], instrument=METER, reason=reason)
    ledger.append(entry, person=progress.begun.turns[turn].appraiser)


def finish(ledger: Ledger, study_id: str, value_of: dict[tuple[str, str, int], float]) -> None:
    while (turn := study(ledger.reader, study_id).next_turn) is not None:
        due = study(ledger.reader, study_id).begun.turns[turn]
        read(ledger, study_id, value_of[due.appraiser, due.part, due.trial])


def test_the_classic_study_through_the_bench(ledger: Ledger) -> None:
    # AIAG MSA, 4th edition, tables III-B 7/8 [seen-2].
    rows = published("crossed_10x3x3.csv")
    values = {
        (row["appraiser"], row["part"], int(row["trial"])): float(row["value"]) * 1e-3
        for row in rows
    }
    people = list(dict.fromkeys(row["appraiser"] for row in rows))
    parts = list(dict.fromkeys(row["part"] for row in rows))
    study_id = begun(ledger, "crossed", crossed_turns(people, parts, 3, 5), limit=1e-3)
    finish(ledger, study_id, values)
    result = result_of(study(ledger.reader, study_id))
    assert result.gauge.repeatability_sd == pytest.approx(0.199933, abs=5e-7)
    assert result.gauge.reproducibility_sd == pytest.approx(0.226838, abs=5e-7)
    assert result.gauge.pooled
    assert result.telling is not None
    assert any("27.9" in text or "28 %" in text for text in sentences(result))


def test_a_study_goes_on_where_it_was_interrupted(ledger: Ledger, path: Path) -> None:
    study_id = begun(ledger, "crossed", crossed_turns(["Ann", "Bo"], ["P1", "P2"], 2, 3))
    for _ in range(3):
        read(ledger, study_id, 1e-3)
    order = study(ledger.reader, study_id).begun.turns
    ledger.close()
    with Ledger.open(path) as again:
        progress = study(again.reader, study_id)
        assert (progress.done, progress.next_turn) == (3, 3)
        assert progress.begun.turns == order
        assert not progress.complete
        with pytest.raises(BadInput, match="3 of 8 turns"):
            result_of(progress)


def test_a_second_click_changes_nothing_and_another_reading_needs_a_reason(
    ledger: Ledger,
) -> None:
    study_id = begun(ledger, "crossed", crossed_turns(["Ann"], ["P1", "P2"], 2, 3))
    progress = study(ledger.reader, study_id)
    for value in (1e-3, 2e-3):
        ledger.append(reading_for(progress, 0, [value], instrument=METER), person="Ann")
    assert study(ledger.reader, study_id).values[0] == 1e-3
    with pytest.raises(BadInput, match="give the reason"):
        read(ledger, study_id, 3e-3, turn=0)
    read(ledger, study_id, 3e-3, turn=0, reason="a clip had slipped")
    assert study(ledger.reader, study_id).values[0] == 3e-3


def progress_of(ledger: Ledger) -> StudyProgress:
    return study(
        ledger.reader, begun(ledger, "crossed", crossed_turns(["Ann"], ["P1", "P2"], 2, 3))
    )


@pytest.mark.parametrize(
    ("turn", "readings", "instrument", "says"),
    [
        (1, [1e-3], METER, "not due yet"),
        (9, [1e-3], METER, "no turn 10"),
        (-1, [1e-3], METER, "no turn 0"),
        (0, [1e-3], "another", "not of another"),
        (0, [], METER, "readings"),
        (0, [float("nan")], METER, "numbers"),
    ],
)
def test_a_bad_reading_is_refused(
    ledger: Ledger, turn: int, readings: list[float], instrument: str, says: str
) -> None:
    with pytest.raises(BadInput, match=says):
        reading_for(progress_of(ledger), turn, readings, instrument=instrument)


def test_a_study_given_up_takes_no_more_readings(ledger: Ledger) -> None:
    progress = progress_of(ledger)
    ledger.append(StudyDropped(study_id=progress.id, reason="the part was lost"), person="Ann")
    dropped = study(ledger.reader, progress.id)
    assert dropped.next_turn is None
    with pytest.raises(BadInput, match="the part was lost"):
        reading_for(dropped, 0, [1e-3], instrument=METER)


def test_studies_are_found_by_the_beginning_of_their_id(ledger: Ledger) -> None:
    first, second = progress_of(ledger), progress_of(ledger)
    assert [found.id for found in studies(ledger.reader)] == [second.id, first.id]
    assert study(ledger.reader, first.id[:-1]).id == first.id
    for wrong in ("", "none", first.id[:3]):
        with pytest.raises(BadInput, match="list them"):
            study(ledger.reader, wrong)


def test_reclipping_says_what_a_budget_must_carry(ledger: Ledger) -> None:
    study_id = begun(ledger, "reclip", reclip_turns("Ann", "P1", 3, 2), limit=2e-3)
    for value in (1.00, 1.02, 1.10, 1.12, 0.90, 0.92):
        read(ledger, study_id, value * 1e-3)
    result = result_of(study(ledger.reader, study_id))
    assert result.clips is not None
    # By hand: clipping means 1.01, 1.11, 0.91; within 0.0141; between sqrt(0.01 - 0.0002 / 2).
    assert result.clips.within_sd == pytest.approx(0.02 / 2**0.5)
    assert result.clips.reclip_sd == pytest.approx((0.01 - 0.0001) ** 0.5)
    said = " ".join(sentences(result))
    assert "line of its own" in said
    assert "Can good be told from bad at 2 mΩ? Yes" in said
    assert "puts them on again" in turn_words(
        study(ledger.reader, study_id).begun.turns[2], "reclip"
    )


def test_pulls_by_batches_against_a_lower_limit(ledger: Ledger) -> None:
    # Dyestuff (Davies 1949), as the lme4 documentation has it: 42.00, 49.51 [seen-1].
    pending: dict[str, list[float]] = {}
    for row in published("dyestuff.csv"):
        pending.setdefault(row["batch"], []).append(float(row["yield"]))
    turns = nested_turns(["Ann"], list(pending), 5, 7)
    study_id = begun(ledger, "nested", turns, limit=100.0)
    for turn in turns:
        read(ledger, study_id, pending[turn.batch].pop())
    result = result_of(study(ledger.reader, study_id))
    assert result.gauge.part_sd == pytest.approx(42.00, abs=0.005)
    assert result.gauge.repeatability_sd == pytest.approx(49.51, abs=0.005)
    assert result.telling is not None
    assert result.telling.answer == "yes"
