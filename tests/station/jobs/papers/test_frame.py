from collections.abc import Iterable
from datetime import UTC, datetime
from html.parser import HTMLParser
from types import SimpleNamespace
from typing import cast

from hypothesis import given
from hypothesis import strategies as st

from station.bench.sample_entry import Results, judge
from station.crimp.facts import shipped_limit_sets
from station.crimp.wire import parse_size
from station.jobs.papers.frame import Paper, paper, templates
from station.jobs.plan import JobPlan
from station.ledger.chain import Head
from station.ledger.entries import CriterionResult
from station.ledger.rows import JobRecord

HOSTILE = '<script>alert("x")</script>&\'"'


class Elements(HTMLParser):
    """Names of the elements of a page, and whether each was closed."""

    VOID = ("meta", "br", "input", "img")

    def __init__(self) -> None:
        super().__init__()
        self.names: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def elements(text: str) -> Elements:
    found = Elements()
    found.feed(text)
    found.close()
    assert not found.open
    return found


def framed(
    text: str,
    record_hash: str | None = None,
    size: Paper = "a4",
    criteria: Iterable[CriterionResult] = (),
) -> str:
    at = datetime(2031, 3, 4, tzinfo=UTC)
    record = SimpleNamespace(
        row=SimpleNamespace(at_utc=at, person=text, job_id=text),
        ended=SimpleNamespace(record_hash=record_hash),
        ended_at_utc=at,
        ended_by=text,
        head=Head(7, "0123456789abcdef" * 4),
    )
    plan = JobPlan.model_construct(id=text, title=text, standing=text, reasoning=(text,))
    return paper(
        "paper", text, text, cast(JobRecord, record), plan, criteria, size=size,
        marks=[text],
    )  # fmt: skip


def parts(text: str) -> str:
    return (
        templates()
        .from_string(
            '{% from "parts.html" import cells, fact, listed %}<table>{{ cells([text], 1) }}'
            "{{ fact(text, text) }}</table>{{ listed([text]) }}"
        )
        .render(text=text)
    )


def made(text: str) -> str:
    return framed(text, record_hash=text) + parts(text)


def test_everything_is_escaped_and_nothing_is_fetched() -> None:
    found = elements(made(HOSTILE))
    assert not {"script", "link", "img", "iframe"} & set(found.names)
    assert not [name for name, _ in found.attributes if name in ("src", "href", "style", "onload")]
    assert "http" not in made("plain")


@given(st.text(max_size=40))
def test_any_text_gives_the_same_elements(text: str) -> None:
    assert elements(made(text)).names == elements(made("plain")).names


def test_paper_sizes() -> None:
    assert "@page{size:A4;" in framed("t")
    assert "@page{size:letter;" in framed("t", size="letter")


def test_cautions_and_hash_stand_on_every_paper() -> None:
    text = framed("t", record_hash="abc123")
    assert "not a safety function" in text
    assert "Record abc123" in text
    assert "Record" not in framed("t")


def test_a_limit_from_memory_is_said_first_of_all() -> None:
    (limit,) = shipped_limit_sets().judging(parse_size("10 AWG"), "abyc-e11-memory").limits
    told = framed("x", criteria=judge([limit], Results(), 1.645))
    assert '<p class="mark">Judged by limits from memory, unverified' in told
    assert "abyc-e11-memory: " in told
    assert "(unverified, from memory)" in told
