from functools import reduce
from operator import xor

import pytest

from station.errors import InstrumentGarbled
from station.instruments.force_lines import MOST_UNREAD_IN_A_ROW, ForceLines
from station.instruments.profiles import PullTesterProfile, load_tester_profile

SHIPPED = load_tester_profile("tester-stream-newton")
# Forms that hand-held gauges and indicators use (general convention, no single source).
PLAIN = r"(?P<force>[+-]?[ \d.]+)\s*(?P<unit>[A-Za-z]*)"


def adapted(**dialect: object) -> PullTesterProfile:
    changed = SHIPPED.dialect.model_copy(update=dialect)
    return SHIPPED.model_copy(update={"dialect": changed})


def forces(profile: PullTesterProfile, *lines: bytes) -> list[tuple[int, float | None]]:
    reader = ForceLines(profile, "tester")
    samples = [reader.read(line, 0.0) for line in lines]
    return [(sample.index, sample.force_n) for sample in samples if sample is not None]


def test_counter_lines_are_numbered_by_their_counter_gaps_and_all() -> None:
    lines = (b"7,+1.0,N,OK", b"8,+2.0,N,OK", b"11,-3.5,N,OK")
    assert forces(SHIPPED, *lines) == [(0, 1.0), (1, 2.0), (4, -3.5)]


def test_a_counter_that_wraps_goes_on() -> None:
    profile = adapted(counter_modulus=100)
    lines = (b"98,1,N,OK", b"99,2,N,OK", b"1,3,N,OK")
    assert [index for index, _ in forces(profile, *lines)] == [0, 1, 3]


@pytest.mark.parametrize("counter", [b"5", b"4", b"0"])
def test_a_counter_that_does_not_advance_voids_the_run(counter: bytes) -> None:
    with pytest.raises(InstrumentGarbled, match=r"from 5 to .* restarted"):
        forces(SHIPPED, b"5,1,N,OK", counter + b",1,N,OK")


def test_negative_tension_is_turned_round() -> None:
    assert forces(adapted(tension_sign=-1), b"1,-12.5,N,OK") == [(0, 12.5)]


# 0.45359237 kg x 9.80665 m/s2, both exact by definition [calc].
@pytest.mark.parametrize(("unit", "newtons"), [(b"lbf", 4.4482216152605), (b"kN", 1000.0)])
def test_units_become_newton(unit: bytes, newtons: float) -> None:
    [(_, force_n)] = forces(SHIPPED, b"1,2.0," + unit + b",OK")
    assert force_n == pytest.approx(2 * newtons)


def test_a_unit_change_in_mid_run_is_refused() -> None:
    with pytest.raises(InstrumentGarbled, match="changed its unit from N to lbf"):
        forces(SHIPPED, b"1,2.0,N,OK", b"2,0.5,lbf,OK")


def test_an_unknown_unit_is_refused() -> None:
    with pytest.raises(InstrumentGarbled, match=r"names the unit 'g'.*one of N, kN"):
        forces(SHIPPED, b"1,2.0,g,OK")


def test_a_missing_unit_is_assumed_only_where_the_profile_says_which() -> None:
    with pytest.raises(InstrumentGarbled, match="names the unit ''"):
        forces(SHIPPED, b"1,2.0,,OK")
    reader = ForceLines(adapted(assumed_unit="N"), "tester")
    sample = reader.read(b"1,2.0,,OK", 0.0)
    assert sample is not None
    assert (sample.force_n, reader.unit, reader.unit_assumed) == (2.0, "N", True)


@pytest.mark.parametrize("line", [b"3,OL,N,OL", b"3,+99.9,N,OL", b"3,ol,N,OK"])
def test_an_overload_has_no_force(line: bytes) -> None:
    assert forces(SHIPPED, line) == [(0, None)]


def test_blanks_may_mean_overload() -> None:
    profile = adapted(reply=r"(?P<force>[ \d.+-]*)", overload_words=("",), assumed_unit="N")
    assert forces(profile, b" 12.5", b"      ") == [(0, 12.5), (1, None)]


def test_lines_without_a_counter_are_numbered_as_they_come_unreadable_ones_too() -> None:
    profile = adapted(reply=PLAIN)
    assert forces(profile, b"+ 1.0 N", b"?", b"2.0N") == [(0, 1.0), (2, 2.0)]


@pytest.mark.parametrize("line", [b"", b"?", b"2,1_0,N,OK", b"2,--,N,OK", b"x,1.0,N,OK", b"\xff"])
def test_single_unreadable_lines_are_passed_over(line: bytes) -> None:
    lines = (b"1,1.0,N,OK", line, b"3,3.0,N,OK")
    assert forces(SHIPPED, *lines) == [(0, 1.0), (2, 3.0)]


def test_a_row_of_unreadable_lines_is_the_wrong_profile() -> None:
    with pytest.raises(InstrumentGarbled, match=r"cannot read, such as '12.3 lb'"):
        forces(SHIPPED, *[b"12.3 lb"] * MOST_UNREAD_IN_A_ROW)


@pytest.mark.parametrize("status", [b"ER", b"ok", b"E-3", b""])
def test_a_status_that_is_not_named_good_voids_the_run_in_its_own_spelling(status: bytes) -> None:
    with pytest.raises(InstrumentGarbled, match=f"says '{status.decode()}' with its force"):
        forces(SHIPPED, b"1,1.0,N,OK", b"2,180.0,N," + status)


@pytest.mark.parametrize(("flags", "index"), [(b"0", 0), (b"4", 0), (b"2", None), (b"8", None)])
def test_the_flags_of_the_line_protocol_are_status_words_too(
    flags: bytes, index: int | None
) -> None:
    profile = load_tester_profile("tester-line-protocol")
    body = b"F,1,1000,8192," + flags
    line = b"$%s*%02X" % (body, reduce(xor, body))
    if index is None:
        with pytest.raises(InstrumentGarbled, match=f"says '{flags.decode()}'"):
            forces(profile, line)
    else:
        assert forces(profile, line) == [(index, 0.0)]
