from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup

from station.jobs.papers.frame import (
    Section,
    paper,
    sentences,
    table,
)

HOSTILE = '<script>alert("x")</script>&\'"'


class Elements(HTMLParser):
    """Names of the elements of a page, and whether each was closed."""

    VOID = ("meta", "br", "input")

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


def made(text: str) -> str:
    return paper(
        text,
        text,
        [(text, text)],
        [Section(text, Markup("").join([sentences([text]), table([text], [[text]], numbers=1)]))],
        marks=[text],
        signatures=[text],
        record_hash=text,
    )


def test_everything_is_escaped_and_nothing_is_fetched() -> None:
    found = elements(made(HOSTILE))
    assert not {"script", "link", "img", "iframe"} & set(found.names)
    assert not [name for name, _ in found.attributes if name in ("src", "href", "style", "onload")]
    assert "http" not in made("plain")


@given(st.text(max_size=40))
def test_any_text_gives_the_same_elements(text: str) -> None:
    assert elements(made(text)).names == elements(made("plain")).names


def test_paper_sizes() -> None:
    assert "@page{size:A4;" in paper("t", "o", [], [])
    assert "@page{size:letter;" in paper("t", "o", [], [], size="letter")


def test_cautions_and_hash_stand_on_every_paper() -> None:
    text = paper("t", "o", [], [], record_hash="abc123")
    assert "not a safety function" in text
    assert "Record abc123" in text
