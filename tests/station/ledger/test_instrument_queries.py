"""Calibrations and checks on record, and the samples that an instrument or tool made."""

from collections.abc import Callable
from typing import Any

import pytest

from station.ledger.entries import (
    InstrumentCalibrated,
    InstrumentChecked,
    InstrumentUsed,
    SampleBegun,
    SampleFinished,
)
from station.ledger.store import Ledger
from tests.station.ledger.invented_entries import CALIBRATED, CHECKED, PULL, RESISTANCE

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Begun = Callable[..., SampleBegun]
Finished = Callable[..., SampleFinished]


def named(identity: str, profile: str = "any") -> InstrumentUsed:
    return InstrumentUsed(profile=profile, identity=identity, port="none")


@pytest.fixture
def made(ledger: Ledger, begun: Begun, finished: Finished) -> Callable[..., str]:
    def make(meter: str | None, tester: str | None, tool: str = "T1", **changes: Any) -> str:
        sample = ledger.append(begun(tool=tool), person="Bo")
        done = finished(
            sample.id,
            joint=begun(tool=tool).joint,
            resistance=meter and RESISTANCE.model_copy(update={"instrument": named(meter)}),
            pull=tester and PULL.model_copy(update={"instrument": named(tester)}),
            **changes,
        )
        ledger.append(done, person="Bo")
        return sample.id

    return make


def test_samples_since_are_those_of_the_instrument(
    ledger: Ledger, made: Callable[..., str]
) -> None:
    made("M1", "P1")
    seq = ledger.append(CHECKED, person="Bo").seq
    first, second = made("M1", "P1"), made("M1", None)
    made("M2", "P2")
    third = made("M2", "M1", tool="T2")
    ids = [row.sample_id for row in ledger.reader.samples_since(seq, instrument="M1")]
    assert ids == [first, second, third]
    assert [r.sample_id for r in ledger.reader.samples_since(seq, tool="T2")] == [third]
    assert len(ledger.reader.samples_since(0, instrument="M1")) == 4
    row = ledger.reader.sample(second)
    assert row is not None
    assert (row.meter, row.tester) == ("M1", None)


def test_calibrations_and_checks_are_told_apart_by_instrument(ledger: Ledger) -> None:
    other = CHECKED.model_copy(update={"instrument": "other", "role": "tester"})
    for payload in (CALIBRATED, CHECKED, other, CHECKED):
        ledger.append(payload, person="Ana")
    assert [entry.seq for entry in ledger.reader.calibrations("invented")] == [1]
    assert [entry.seq for entry in ledger.reader.checks("invented")] == [2, 4]
    assert ledger.reader.calibrations("other") == []
    assert ledger.reader.instruments() == {"invented": "meter", "other": "tester"}
    first = ledger.reader.calibrations("invented")[0].payload
    assert isinstance(first, InstrumentCalibrated)
    assert first == CALIBRATED
    assert isinstance(ledger.reader.checks("invented")[0].payload, InstrumentChecked)


def test_an_instrument_without_a_name_goes_by_its_profile(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    sample = ledger.append(begun(), person="Bo")
    nameless = PULL.model_copy(update={"instrument": named("", "tester-x")})
    ledger.append(finished(sample.id, pull=nameless), person="Bo")
    assert ledger.reader.instruments() == {"invented": "meter", "tester-x": "tester"}


def test_what_a_rollback_took_back_is_noted_by_the_next_sample(
    ledger: Ledger, made: Callable[..., str]
) -> None:
    def interrupted() -> None:
        with ledger.transaction():
            made("M1", "P1", demo=True)
            raise RuntimeError("ours")

    with pytest.raises(RuntimeError, match="ours"):
        interrupted()
    assert ledger.reader.instruments() == {}
    assert not ledger.reader.is_demo()
    for _ in range(2):
        made("M1", "P1", demo=True)
    assert ledger.reader.instruments() == {"M1": "meter", "P1": "tester"}
    assert ledger.reader.is_demo()


def test_what_is_noted_once_is_there_after_another_built_the_tables_anew(
    ledger: Ledger, made: Callable[..., str]
) -> None:
    made("M1", "P1", demo=True)
    with Ledger.open(ledger.path) as another:
        another.rebuild()
    made("M1", None, demo=True)
    ledger.rebuild()
    made("M1", "P1", demo=True)
    assert ledger.reader.instruments() == {"M1": "meter", "P1": "tester"}
    assert ledger.reader.is_demo()


def test_an_entry_from_before_calibration_was_recorded_still_reads() -> None:
    old = named("M1").model_dump(
        exclude={"calibration_id", "calibration_state", "reading_corrected"}
    )
    assert InstrumentUsed.model_validate(old) == named("M1")
    old_pull = PULL.model_dump(exclude={"raw_peak_n", "effective_dof", "budget"})
    assert type(PULL).model_validate(old_pull) == PULL


def test_looking_back_uses_an_index(ledger: Ledger) -> None:
    plan = ledger._connection.exec_driver_sql(
        "EXPLAIN QUERY PLAN SELECT * FROM sample WHERE unfinished = 0 "
        "AND finished_seq > 5 AND (meter = 'M1' OR tester = 'M1')"
    ).fetchall()
    words = " ".join(str(row) for row in plan)
    assert "SEARCH sample USING INDEX sample_by_finish (unfinished=? AND finished_seq>?)" in words
