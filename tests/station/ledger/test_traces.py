import hashlib
import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput, LedgerDamaged
from station.ledger.traces import decode_trace, encode_trace, trace_key

numbers = st.floats(allow_nan=False, allow_infinity=False)


@given(st.lists(st.tuples(numbers, numbers), min_size=1, max_size=50))
def test_a_trace_reads_back_bit_for_bit(points: list[tuple[float, float]]) -> None:
    time_s, force_n = zip(*points, strict=True)
    read_time_s, read_force_n = decode_trace(encode_trace(time_s, force_n))
    assert read_time_s.tobytes() == np.array(time_s).tobytes()
    assert read_force_n.tobytes() == np.array(force_n).tobytes()


def test_the_bytes_are_two_little_endian_columns_in_zlib() -> None:
    # Source: the layout as Python's own struct and zlib write it [calc].
    plain = struct.pack("<4d", 0.0, 0.5, 10.0, 20.0)
    assert zlib.decompress(encode_trace([0.0, 0.5], [10.0, 20.0])) == plain


def test_the_key_does_not_depend_on_the_compression() -> None:
    plain = struct.pack("<4d", 0.0, 0.5, 10.0, 20.0)
    keys = {trace_key(zlib.compress(plain, level)) for level in (0, 1, 9)}
    assert keys == {hashlib.sha256(plain).hexdigest()}


@pytest.mark.parametrize(
    ("time_s", "force_n"),
    [
        ([], []),
        ([0.0, 1.0], [1.0]),
        ([0.0], [float("nan")]),
        ([0.0], [float("inf")]),
        (0.0, 1.0),
        (["a"], ["b"]),
    ],
)
def test_columns_that_are_no_trace_are_refused(time_s: list[float], force_n: list[float]) -> None:
    with pytest.raises(BadInput, match="trace cannot be kept"):
        encode_trace(time_s, force_n)


@pytest.mark.parametrize("data", [b"", b"plain", zlib.compress(b"123")])
def test_bytes_that_are_no_trace_are_damage(data: bytes) -> None:
    with pytest.raises(LedgerDamaged, match="verify the ledger"):
        decode_trace(data)
