import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from uuid import RFC_4122, UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput
from station.ledger.chain import (
    FIRST_PREV_HASH,
    HASHED_COLUMNS,
    Head,
    Moment,
    canonical_json,
    entry_hash,
    utc_text,
    utc_time,
    uuid7,
)

scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text()
)
json_values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)

ROW: dict[str, Any] = {
    "bench": "bench-1",
    "seq": 1,
    "id": "017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
    "kind": "person_added",
    "version": 1,
    "at_utc": "2022-02-22T19:22:22.000000Z",
    "clock_synced": True,
    "boot_id": "boot",
    "monotonic_s": 12.0,
    "person": "Ana",
    "payload": '{"demo":false,"name":"Ana Ω"}',
    "prev_hash": FIRST_PREV_HASH,
}


@given(json_values)
def test_canonical_json_reads_back_and_is_the_only_spelling(value: Any) -> None:
    text = canonical_json(value)
    assert json.loads(text) == value
    assert canonical_json(json.loads(text)) == text


@given(st.dictionaries(st.text(), scalars, min_size=2))
def test_the_order_of_keys_does_not_matter(value: dict[str, Any]) -> None:
    assert canonical_json(dict(reversed(value.items()))) == canonical_json(value)


def test_canonical_json_is_dense_sorted_and_not_escaped() -> None:
    spelled = canonical_json({"b": [1, 2.0, 0.1], "a": "5 µΩ", "Z": None})
    assert spelled == '{"Z":null,"a":"5 µΩ","b":[1,2.0,0.1]}'


@pytest.mark.parametrize(
    "value",
    [
        float("nan"),
        float("inf"),
        [float("-inf")],
        {"a": [None, (1.0, float("nan"))]},
        "\ud800",
        b"bytes",
        {1, 2},
        2**64,
    ],
)
def test_what_json_cannot_say_is_refused(value: Any) -> None:
    with pytest.raises(BadInput, match="cannot hold this content"):
        canonical_json(value)


def test_the_hash_is_the_one_of_an_independent_tool() -> None:
    # Source: GNU coreutils sha256sum over the serialisation written out by hand [calc].
    expected = "936fd0896bcb417eda627e066de1f28444f4860b3eb4b59400c5267457776e29"
    assert entry_hash(ROW) == expected


@given(st.sampled_from(HASHED_COLUMNS), json_values)
def test_the_hash_changes_with_any_column(column: str, value: Any) -> None:
    same = canonical_json(value) == canonical_json(ROW[column])
    assert (entry_hash(ROW | {column: value}) == entry_hash(ROW)) is same


@pytest.mark.parametrize("value", [float("inf"), float("-inf"), float("nan")])
def test_an_entry_at_no_time_has_no_hash(value: float) -> None:
    with pytest.raises(BadInput, match="not a finite number"):
        entry_hash(ROW | {"monotonic_s": value})


@given(st.text(), st.text(), st.text(min_size=1))
def test_text_cannot_move_between_columns_unseen(left: str, right: str, moved: str) -> None:
    before = ROW | {"boot_id": left + moved, "person": right}
    after = ROW | {"boot_id": left, "person": moved + right}
    assert entry_hash(before) != entry_hash(after)


def test_uuid7_gives_the_published_example() -> None:
    # Source: RFC 9562, appendix A.6, example of a UUIDv7 [memory].
    random_bits = 0xCC3 << 62 | 0x18C4DC0C0C07398F
    made = uuid7(0x017F22E279B0, random_bits.to_bytes(10))
    assert made == "017F22E2-79B0-7CC3-98C4-DC0C0C07398F".lower()


@given(st.integers(0, 2**48 - 1), st.binary(min_size=10, max_size=10))
def test_every_uuid7_has_its_version_variant_and_time(unix_ms: int, random_bytes: bytes) -> None:
    # Source: the uuid module of Python reads version and variant by RFC 9562 [calc].
    text = uuid7(unix_ms, random_bytes)
    made = UUID(text)
    assert str(made) == text
    assert (made.version, made.variant) == (7, RFC_4122)
    assert made.int >> 80 == unix_ms


@given(st.binary(min_size=10, max_size=10), st.binary(min_size=10, max_size=10))
def test_uuid7_texts_sort_by_time(earlier: bytes, later: bytes) -> None:
    assert uuid7(1_700_000_000_000, earlier) < uuid7(1_700_000_000_001, later)


@pytest.mark.parametrize(("unix_ms", "size"), [(-1, 10), (2**48, 10), (0, 9)])
def test_uuid7_refuses_what_does_not_fit(unix_ms: int, size: int) -> None:
    with pytest.raises(BadInput):
        uuid7(unix_ms, bytes(size))


@given(st.datetimes(min_value=datetime(1970, 1, 2), timezones=st.just(UTC)))  # noqa: DTZ001
def test_times_read_back_and_have_one_width(at: datetime) -> None:
    text = utc_text(at)
    assert utc_time(text) == at
    assert len(text) == len("2022-02-22T19:22:22.000000Z")


def test_times_of_another_zone_are_kept_as_utc() -> None:
    east = timezone(timedelta(hours=2))
    assert utc_text(datetime(2024, 3, 1, 1, tzinfo=east)) == "2024-02-29T23:00:00.000000Z"


@pytest.mark.parametrize(
    ("at_utc", "monotonic_s", "message"),
    [
        (datetime(2024, 3, 1), 0.0, "no time zone"),  # noqa: DTZ001
        (datetime(1960, 3, 1, tzinfo=UTC), 0.0, "before 1970"),
        (datetime(2024, 3, 1, tzinfo=UTC), float("nan"), "monotonic time nan"),
    ],
)
def test_a_moment_that_cannot_be_kept_is_refused(
    at_utc: datetime, monotonic_s: float, message: str
) -> None:
    with pytest.raises(BadInput, match=message):
        Moment(at_utc=at_utc, clock_synced=True, boot_id="", monotonic_s=monotonic_s)


@given(st.integers(0, 10**9), st.integers(0, 2**256 - 1))
def test_a_head_reads_as_it_is_printed(seq: int, number: int) -> None:
    head = Head(seq, f"{number:064x}")
    assert Head.read(str(head)) == Head.read(f" {str(head).upper()}\n") == head
    assert head.hash.startswith(Head.read(head.short).hash)
    assert (Head.read(head.short).seq, len(Head.read(head.short).hash)) == (seq, 16)
