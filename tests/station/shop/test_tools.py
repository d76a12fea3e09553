"""Tools that are put on record: what is taken, what is refused, and that nothing is lost."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from station.errors import BadInput
from station.ledger.store import Ledger
from station.shop.tools import described_tool

NAMES = st.lists(
    st.text(st.characters(categories=("L", "N")), min_size=1, max_size=8),
    min_size=1, max_size=8, unique=True,
)  # fmt: skip


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "tools.ledger") as opened:
        opened.append(described_tool(opened.reader, " Wren ", ["red", "16/14"], "old"), person="A")
        yield opened


def test_names_are_tidied(ledger: Ledger) -> None:
    row = ledger.reader.tools()[0]
    assert (row.tool, row.nests, row.description) == ("Wren", ("red", "16/14"), "old")


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(NAMES)
def test_a_nest_is_never_taken_away(ledger: Ledger, nests: list[str]) -> None:
    added = described_tool(ledger.reader, "Wren", [*nests, "a new one"])
    assert added.nests[:2] == ("red", "16/14")
    assert set(nests) <= set(added.nests)
    assert len(added.nests) == len(set(added.nests))
    assert added.description == "old"


@pytest.mark.parametrize(
    ("name", "nests", "why"),
    [
        ("", ["red"], "the tool"),
        ("  ", ["red"], "the tool"),
        ("W/x", ["red"], "slash"),
        ("W" * 61, ["red"], "at most 60"),
        ("W\x07", ["red"], "printed"),
        ("Heron", ["../../etc"], "cannot stand in an address"),
        ("Heron", ["."], "cannot stand in an address"),
        ("Heron", ["16/"], "cannot stand in an address"),
        ("Heron", [], "at least one nest"),
        ("Heron", ["red", " "], "the nest"),
        ("Heron", [f"n{i}" for i in range(21)], "20 will fit"),
        ("Wren", ["red"], "name a nest it lacks"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(
    ledger: Ledger, name: str, nests: list[str], why: str
) -> None:
    with pytest.raises(BadInput, match=why):
        described_tool(ledger.reader, name, nests)


def test_a_long_description_is_refused(ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="Shorten"):
        described_tool(ledger.reader, "Heron", ["red"], "x" * 201)
