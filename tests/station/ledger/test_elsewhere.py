import math
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput, StationError
from station.ledger.elsewhere import ImportMap, Source, imported_samples
from station.ledger.entries import Joint, SampleImported
from station.text import unseen

SOURCE = Source("other.csv", "0" * 64)
TABLE = """\
Date;Who;Part;Wire;Zange;Gesenk;Pull;mR;Result;How
06.05.2031 09:30;Ana;butt-splice-red;18 AWG + 20 awg;T1;A;25,5;0,35;OK;broke
06.05.2031 09:35;Bo;butt-splice-red;18 AWG;T1;B;;0,40;NOK;
"""
MAP: dict[str, Any] = {
    "delimiter": ";",
    "decimal": ",",
    "time_format": "%d.%m.%Y %H:%M",
    "time_zone": "Europe/Berlin",
    "peak_unit": "lbf",
    "splice_unit": "mOhm",
    "columns": {
        "measured_at": "Date", "measured_by": "Who", "connector": "Part", "wires": "Wire",
        "tool": "Zange", "nest": "Gesenk", "peak": "Pull", "splice": "mR", "verdict": "Result",
        "failure_mode": "How",
    },
    "constants": {"limit_set": "theirs", "note": "from the other shop"},
    "verdicts": {"OK": "pass", "NOK": "fail"},
    "failure_modes": {"broke": "broke_at_edge"},
}  # fmt: skip


def read(table: str = TABLE, **changes: Any) -> list[SampleImported]:
    return imported_samples(table, ImportMap.model_validate(MAP | changes), SOURCE)


def test_a_table_is_read_by_its_mapping() -> None:
    first, second = read()
    joint = Joint(connector="butt-splice-red", wires=("18 AWG", "20 AWG"), tool="T1", nest="A")
    assert first.joint == joint
    # Summer time in Berlin is two hours ahead of UTC. Source: the zone database's Europe/Berlin.
    assert first.measured_at == datetime(2031, 5, 6, 7, 30, tzinfo=UTC)
    # One pound-force is 4.4482216152605 N: exact, from the pound and standard gravity [calc].
    assert first.peak_n == pytest.approx(25.5 * 4.4482216152605, rel=1e-15)
    assert first.splice_ohm == pytest.approx(0.35e-3, rel=1e-15)
    assert (first.verdict, first.failure_mode) == ("pass", "broke_at_edge")
    assert (first.row, first.source, first.limit_set) == (2, "other.csv", "theirs")
    assert (second.peak_n, second.verdict, second.failure_mode) == (None, "fail", None)
    assert (second.row, second.measured_by, second.note) == (3, "Bo", "from the other shop")


def test_plain_names_need_no_translation() -> None:
    table = "at,who,peak,verdict\n2031-05-06T07:30:00+00:00,Ana,112.5,Pass\n"
    mapping = ImportMap(
        columns={"measured_at": "at", "measured_by": "who", "peak": "peak", "verdict": "verdict"},
        constants={"connector": "c", "wires": "0.75 mm2", "tool": "T", "nest": "N"},
    )
    (sample,) = imported_samples(table, mapping, SOURCE, demo=True)
    assert (sample.peak_n, sample.verdict, sample.demo) == (112.5, "pass", True)
    assert sample.measured_at == datetime(2031, 5, 6, 7, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("25,5", "much", "Row 2 of other.csv: 'much' for peak is not a number"),
        ("25,5", "inf", "Row 2 of other.csv: 'inf' for peak is not a finite number"),
        ("25,5", "1_000", "'1_000' for peak is not a number as"),
        ("25,5", "٣", "'٣' for peak is not a number as"),
        ("25,5", "-1", "'-1' for peak is no force or resistance that a bench measures"),
        ("25,5", "1e300", "'1e300' for peak is no force or resistance that a bench measures"),
        ("T1", "T\u202e1", "Type tool anew: it has a character that cannot be seen"),
        ("Ana", "An\x00a", "Type measured_by anew: it has a character that cannot be seen"),
        ("Ana", "A" * 201, "measured_by has 201 characters, 200 will fit"),
        ("Ana", "A" * 200_000, "could not be read as CSV after line 1"),
        ("T1;A", "T1;../../x", "The nest '../../x' cannot stand in an address"),
        ("T1;A", "T/1;A", "The tool 'T/1' cannot stand in an address"),
        ("06.05.2031 09:35", "06.05.0026 09:35", "is in the year 0026"),
        ("0,40", "", "Row 3 of other.csv: it has neither a resistance"),
        ("09:35", "25:35", "Row 3 of other.csv: '06.05.2031 25:35' for measured_at is not a time"),
        ("Bo", " ", "Row 3 of other.csv: it has no measured_by"),
        ("18 AWG;", "rope;", "Row 3 of other.csv: "),
        ("NOK", "so so", "Row 3 of other.csv: 'so so' is no verdict"),
        ("broke", "flew", "Row 2 of other.csv: 'flew' is no failure mode"),
        ("Date", "Day", "has no column 'Date' for measured_at: its columns are 'Day', 'Who'"),
        (TABLE, "", "has no column"),
        (TABLE[TABLE.index("\n") + 1 :], "", "no rows below its heading"),
    ],
)
def test_what_cannot_be_read_is_named(old: str, new: str, sentence: str) -> None:
    assert old in TABLE
    with pytest.raises(BadInput, match=sentence.replace("(", r"\(")):
        read(TABLE.replace(old, new))


def test_the_mapping_must_say_where_everything_comes_from() -> None:
    columns = {name: heading for name, heading in MAP["columns"].items() if name != "tool"}
    with pytest.raises(BadInput, match="does not say where tool comes from"):
        read(columns=columns)
    with pytest.raises(BadInput, match="is not a time zone"):
        read(time_zone="Mars/Olympus")
    with pytest.raises(BadInput, match="is not a time zone"):
        read(time_zone="America")
    with pytest.raises(BadInput, match="is not a time as %Y%Y"):
        read(time_format="%Y%Y")


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(BadInput, match="peak_u is negative"):
        read(constants=MAP["constants"] | {"peak_u": "-1"})


@pytest.mark.parametrize("at", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-12:00"])
def test_an_end_of_the_calendar_is_no_time_of_a_measurement(at: str) -> None:
    columns = {name: heading for name, heading in MAP["columns"].items() if name != "measured_at"}
    constants = MAP["constants"] | {"measured_at": at}
    with pytest.raises(BadInput, match="is in the year"):
        read(time_format=None, columns=columns, constants=constants)


@given(
    st.lists(
        st.tuples(
            st.integers(0, len(TABLE)),
            st.integers(0, 3),
            st.sampled_from([*'";,=-+e9<', "\0", "\r", "\n", "\u202e", "nan", "1e999", "9" * 400]),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_whatever_stands_in_a_table_is_taken_as_it_should_or_refused(
    changes: list[tuple[int, int, str]],
) -> None:
    table = TABLE
    for place, removed, put in changes:
        table = table[:place] + put + table[place + removed :]
    try:
        samples = read(table)
    except StationError:
        return
    for one in samples:
        assert SampleImported.model_validate_json(one.model_dump_json()) == one
        assert all(value is None or math.isfinite(value) for value in (one.splice_ohm, one.peak_n))
        assert not any(map(unseen, one.measured_by + one.joint.tool))
