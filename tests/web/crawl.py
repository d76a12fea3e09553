"""Pages as a browser reads them: links, forms and their fields, for tests that try all of them."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

from werkzeug.test import TestResponse

from tests.web.visitor import Visitor
from web.once import MARK

ENOUGH_OF_A_KIND = 3
"""Pages of one route, such as those of single samples, that are read."""


@dataclass
class Form:
    """A form: where it goes, and its fields with what they may hold (nothing: free text)."""

    action: str
    method: str
    fixed: dict[str, str] = field(default_factory=dict)
    texts: list[str] = field(default_factory=list)
    choices: dict[str, list[str]] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        return [*self.fixed, *self.texts, *self.choices]


class Reader(HTMLParser):
    """Reads one page."""

    def __init__(self, path: str) -> None:
        super().__init__()
        self.path = path
        self.forms: list[Form] = []
        self.links: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        given = {name: value or "" for name, value in attrs}
        self.attributes.update(given)
        if tag == "a" and given.get("href", "").startswith("/"):
            self.links.append(given["href"].partition("#")[0])
        elif tag == "form":
            self.forms.append(Form(given.get("action") or self.path, given.get("method", "get")))
        elif self.forms:
            self._field(tag, given)

    def _field(self, tag: str, given: dict[str, str]) -> None:
        form, name = self.forms[-1], given.get("name", "")
        if tag == "select":
            self._select = name
            form.choices[name] = []
        elif tag == "datalist":
            self._select = ""
        elif tag == "option":
            if given.get("value", "x") and self._select:
                form.choices[self._select].append(given.get("value", ""))
        elif tag == "button" and name:
            form.choices.setdefault(name, []).append(given.get("value", ""))
        elif tag in ("input", "textarea") and name and name != "csrf_token":
            kind = given.get("type", "text")
            if kind == "hidden":
                form.fixed[name] = given.get("value", "")
            elif kind in ("checkbox", "radio"):
                form.choices.setdefault(name, []).append(given.get("value", "on"))
            else:
                form.texts.append(name)

    def handle_data(self, data: str) -> None:
        # An option without a value has its text for one.
        choices = self.forms[-1].choices.get(self._select) if self.forms else None
        if choices and choices[-1] == "" and data.strip():
            choices[-1] = data.strip()


def forms_of(pages: Iterable[Reader], method: str = "") -> list[Form]:
    """Every form of these pages, once: many stand on several pages and differ in their mark."""
    found: dict[str, Form] = {}
    for form in (form for page in pages for form in page.forms):
        fixed = {name: value for name, value in form.fixed.items() if name != MARK}
        if method in ("", form.method):
            found.setdefault(repr(replace(form, fixed=fixed)), form)
    return list(found.values())


def read(path: str, answer: TestResponse) -> Reader:
    """Read an answer as a page; an empty page for anything that is none."""
    reader = Reader(path)
    if answer.mimetype == "text/html":
        reader.feed(answer.text)
    return reader


def crawl(visitor: Visitor, first: str = "/") -> dict[str, Reader]:
    """Read every page that links lead to, a few of each kind."""
    found: dict[str, Reader] = {}
    kinds: Counter[str] = Counter()
    waiting = [first]
    adapter = visitor.app.url_map.bind("")
    while waiting:
        path = waiting.pop(0)
        endpoint, _ = adapter.match(path.partition("?")[0])
        if path in found or kinds[endpoint] >= ENOUGH_OF_A_KIND:
            continue
        kinds[endpoint] += 1
        answer = visitor.get(path)
        assert answer.status_code < 500, path
        found[path] = read(path.partition("?")[0], answer)
        answer.close()
        waiting += found[path].links
    return found
