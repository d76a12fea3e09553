import csv
import io
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput
from station.ledger.entries import KINDS, SampleFinished
from station.ledger.export_format import (
    FORMULA_SIGNS,
    Column,
    cell,
    columns_of,
    guarded,
)
from tests.station.ledger.export_reading import unguarded, value_of

TEXT = st.text(st.characters(exclude_categories=["Cs"]))
JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=5,
)


def through_a_file(text: str) -> str:
    file = io.StringIO(newline="")
    csv.writer(file).writerow([text, "end"])
    file.seek(0)
    return next(csv.reader(file))[0]


@given(TEXT)
def test_a_guarded_text_reads_back_and_starts_no_formula(text: str) -> None:
    written = guarded(text)
    assert written
    assert not written.startswith(FORMULA_SIGNS)
    assert unguarded(through_a_file(written)) == text


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("", "'"),
        ("plain", "plain"),
        ("'quoted'", "''quoted'"),
        ('=HYPERLINK("x")', '\'=HYPERLINK("x")'),
        ("-2+3", "'-2+3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("＝1+1", "'＝1+1"),
    ],
)
def test_what_guarding_looks_like(text: str, written: str) -> None:
    assert guarded(text) == written


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_read_back_to_the_last_bit(number: float) -> None:
    column = Column(("value",), "number")
    back = value_of(through_a_file(cell({"value": number}, column)), column)
    assert (back, math.copysign(1.0, back)) == (number, math.copysign(1.0, number))


@given(st.lists(JSON, max_size=3) | st.dictionaries(TEXT, JSON, max_size=3))
def test_lists_and_tables_read_back(value: Any) -> None:
    column = Column(("value",), "json")
    assert value_of(through_a_file(cell({"value": value}, column)), column) == value


def test_no_value_is_an_empty_cell_also_where_its_table_is_missing() -> None:
    column = Column(("pull", "peak_n"), "number")
    records: list[dict[str, Any]] = [{}, {"pull": None}, {"pull": {}}]
    assert [cell(record, column) for record in records] == ["", "", ""]
    assert value_of("", column) is None


@pytest.mark.parametrize(
    ("text", "kind"), [("yes", "true_or_false"), ("1,5", "number"), ("[1", "json")]
)
def test_what_was_not_written_so_is_refused(text: str, kind: Any) -> None:
    with pytest.raises(BadInput, match="in the column value is not as it was written"):
        value_of(text, Column(("value",), kind))


def test_a_model_is_opened_up_into_its_columns() -> None:
    kinds = {column.name: column.kind for column in columns_of(SampleFinished)}
    assert kinds["joint.tool"] == "text"
    assert kinds["joint.wires"] == "json"
    assert kinds["resistance.splice_ohm"] == "number"
    assert kinds["pull.instrument.simulated"] == "true_or_false"
    assert kinds["criteria"] == "json"
    assert kinds["verdict"] == "text"


@pytest.mark.parametrize("kind", list(KINDS))
def test_no_column_of_any_kind_is_doubled(kind: str) -> None:
    names = [column.name for column in columns_of(KINDS[kind])]
    assert len(names) == len(set(names))
