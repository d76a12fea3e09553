import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import InstrumentGarbled
from station.instruments.framing import (
    LONGEST_LINE,
    LineSplitter,
    Overlong,
    parse_error_report,
    parse_identity,
    parse_number,
    show,
)


@st.composite
def streams_in_chunks(draw: st.DrawFn) -> tuple[bytes, bytes, list[bytes]]:
    terminator = draw(st.sampled_from([b"\n", b"\r", b"\r\n"]))
    pieces = st.one_of(st.just(terminator), st.binary(min_size=1, max_size=9), st.just(b"\r"))
    stream = b"".join(draw(st.lists(pieces, max_size=40)))
    cuts = sorted(draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    bounds = [0, *cuts, len(stream)]
    return terminator, stream, [stream[a:b] for a, b in pairwise(bounds)]


@given(streams_in_chunks())
def test_how_a_stream_is_chunked_changes_nothing(case: tuple[bytes, bytes, list[bytes]]) -> None:
    terminator, stream, chunks = case
    whole = LineSplitter(terminator, longest=12).feed(stream)
    splitter = LineSplitter(terminator, longest=12)
    found = [line for chunk in chunks for line in splitter.feed(chunk)]
    assert [(type(line), line) for line in found] == [(type(line), line) for line in whole]


def test_crlf_may_fall_into_two_reads() -> None:
    splitter = LineSplitter(b"\r\n")
    assert splitter.feed(b"12.3 N\r") == []
    assert splitter.feed(b"\n12.4 N\r\n") == [b"12.3 N", b"12.4 N"]


def test_what_never_ends_is_handed_out_once_and_the_next_line_is_whole() -> None:
    splitter = LineSplitter(b"\n")
    lines = [line for _ in range(100) for line in splitter.feed(b"x" * 100)]
    assert lines == [Overlong(b"x" * LONGEST_LINE)]
    assert isinstance(lines[0], Overlong)
    assert splitter.feed(b"tail\n1.5\n") == [b"1.5"]


def test_reset_forgets_a_line_that_has_begun() -> None:
    splitter = LineSplitter(b"\n")
    splitter.feed(b"1.2")
    assert splitter.partial == b"1.2"
    splitter.reset()
    assert splitter.feed(b"7\n") == [b"7"]


# The forms NR1, NR2 and NR3 of IEEE 488.2-1992 (8.7.2, 8.7.3), quoted in programming manuals
# [seen-8], and departures from them that manuals show: a blank for plus, blanks after the sign,
# leading zeros [seen-1].
@pytest.mark.parametrize(
    ("text", "value"),
    [
        (b"-12", -12.0),
        (b"+1.234", 1.234),
        (b"+1.234E-03", 1.234e-3),
        (b" 5.0", 5.0),
        (b"+ 5.0", 5.0),
        (b"0106.5E-3", 0.1065),
        (b".5", 0.5),
        (b"5.", 5.0),
        (b"9.9E37\r", 9.9e37),
    ],
)
def test_numbers_that_instruments_send(text: bytes, value: float) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    [
        b"1_000",
        b"nan",
        b"inf",
        "١٢".encode(),
        b"1e400",
        b"12.3 N",
        b"OL",
        b"1,234.5",
        b"",
        b"   ",
        b"-",
        b"1.2.3",
        b"0x10",
        b"1e",
    ],
)
def test_what_is_no_number_is_refused(text: bytes) -> None:
    with pytest.raises(InstrumentGarbled, match="is not a number"):
        parse_number(text)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(["+.9E", "+.17E", "r"]))
def test_what_is_written_is_read_back(value: float, form: str) -> None:
    # Python's own formatting and ``float`` are the outside reference.
    text = repr(value) if form == "r" else format(value, form)
    if math.isfinite(float(text)):
        assert parse_number(text.encode("ascii")) == float(text)


@given(st.binary(max_size=12))
def test_whatever_is_accepted_is_what_float_makes_of_it(data: bytes) -> None:
    try:
        value = parse_number(data)
    except InstrumentGarbled:
        return
    assert value == float(data.replace(b" ", b"").replace(b"\t", b"").decode("ascii"))


# Answers to *IDN?: the rule of IEEE 488.2-1992, quoted in programming manuals [seen-8], and
# departures from it that manuals show [seen-1].
@pytest.mark.parametrize(
    ("answer", "fields"),
    [
        (b"ANY,METER,17,2.0", ("ANY", "METER", "17", "2.0")),
        (b"*IDN ANY, METER, 17, 2.0", ("ANY", "METER", "17", "2.0")),
        (b"ANY,METER,0,A,B,C", ("ANY", "METER", "0", "A,B,C")),
        (b"ANY,METER", ("ANY", "METER", "", "")),
        (b"METER 5", ("METER 5", "", "", "")),
        (b"", ("", "", "", "")),
    ],
)
def test_identities(answer: bytes, fields: tuple[str, str, str, str]) -> None:
    identity = parse_identity(answer)
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == fields
    assert identity.raw == answer.decode()


@given(st.binary(max_size=80))
def test_no_answer_breaks_the_reading_of_an_identity(answer: bytes) -> None:
    assert isinstance(parse_identity(answer).serial, str)


# SCPI-1999 volume 1, 21.8, quoted in open parser libraries [seen-2]; without quotation marks as
# manuals print it [seen-2].
@pytest.mark.parametrize(
    ("answer", "code", "text"),
    [
        (b'0,"No error"', 0, "No error"),
        (b'+0,"No error"', 0, "No error"),
        (b'-113,"Undefined header;FRES:XX"', -113, "Undefined header;FRES:XX"),
        (b"-350, Queue overflow", -350, "Queue overflow"),
        (b"17", 17, ""),
    ],
)
def test_error_reports(answer: bytes, code: int, text: str) -> None:
    report = parse_error_report(answer)
    assert (report.code, report.text) == (code, text)


def test_an_error_report_without_a_number_is_refused() -> None:
    with pytest.raises(InstrumentGarbled, match="is not an error report"):
        parse_error_report(b"No error")


# The classes by their hundreds: SCPI-1999 volume 1, 21.8, quoted in open parser libraries [seen-2].
@pytest.mark.parametrize(
    ("code", "words"),
    [
        (b"-113", "another instrument"),
        (b"-199", "a command it cannot read"),
        (b"-299", "could not do it"),
        (b"-399", "its own fault"),
        (b"-499", "query"),
        (b"5", "its own code"),
    ],
)
def test_each_error_has_a_plain_hint(code: bytes, words: str) -> None:
    assert words in parse_error_report(code).hint


def test_received_bytes_are_shown_printable_and_short() -> None:
    assert show(b"a\x02\xff") == r"'a\x02\xff'"
    assert show(b"y" * 99).endswith("y'...")
