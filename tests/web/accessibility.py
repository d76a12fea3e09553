"""Walking through all pages of the station, and asking what is wrong with one.

html5lib names what a parser has to forgive in a page. axe-core (Deque's rules for WCAG, MPL 2.0)
comes with the test dependency axe-playwright-python; it runs in the page and asks nothing of any
other machine.
"""

from collections.abc import Iterator, Mapping
from typing import Literal
from urllib.parse import unquote, urlsplit

import html5lib
from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from playwright.sync_api import Page
from werkzeug.exceptions import HTTPException
from werkzeug.routing import RequestRedirect, Rule

SERIOUS = ("serious", "critical")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}

COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
"""The rules that look at colours: in the dark scheme nothing else of a page differs."""
SCHEMES: dict[Literal["light", "dark"], Mapping[str, object]] = {"light": RULES, "dark": COLOURS}

SCREENS = "document.documentElement.scrollHeight / innerHeight"
MOST_SCREENS = 3.0

BROKEN = """() => {
  const all = query => [...document.querySelectorAll(query)];
  const ids = all("[id]").map(it => it.id);
  const names = ["for", "aria-labelledby", "aria-describedby", "aria-controls", "list", "form"];
  const wanted = names.flatMap(name => all(`[${name}]`).flatMap(
    it => it.getAttribute(name).split(" ").map(id => [id, it.outerHTML])));
  const fragments = all("a[href^='#']:not([href='#'])").map(
    it => [decodeURIComponent(it.hash.slice(1)), it.outerHTML]);
  const inner = "a, button, input:not([type=hidden]), select, textarea, details, label, summary";
  const outer = ["a", "button", "summary"].map(it => inner.split(", ").map(
    within => `${it} ${within}`).join(", ")).join(", ");
  return [
    ...ids.filter((id, at) => ids.indexOf(id) !== at).map(id => "id twice: " + id),
    ...[...wanted, ...fragments].filter(([id]) => !ids.includes(id)).map(
      ([, it]) => "points nowhere: " + it),
    ...all(outer + ", label label, form form").map(it => "within another: " + it.outerHTML),
  ].map(it => it.slice(0, 200));
}"""
"""What a parser takes but the HTML standard forbids."""

PRIMARY = """() => {
  const choices = ".modes, .choices, .pad, [role=group], fieldset";
  return [...document.querySelectorAll("button, a.button")]
    .filter(it => it.checkVisibility() && !it.matches(".quiet") && !it.closest(choices))
    .filter(it => getComputedStyle(it).backgroundColor !== "rgba(0, 0, 0, 0)")
    .map(it => [it.getBoundingClientRect().top + scrollY, it.innerText])
    .sort((one, other) => one[0] - other[0])
    .filter(([top], at, all) => at > 0 && top - all[at - 1][0] < innerHeight)
    .map(([, words]) => words);
}"""
"""Filled buttons that share a screen with another: one act is the next one."""


def html_faults(source: str) -> list[str]:
    """What is wrong with a page as it was sent."""
    parser = html5lib.HTMLParser()
    parser.parse(source)
    return [f"line {at[0]}: {name} {more}" for at, name, more in parser.errors]


LINKS = "[...document.links].map(link => link.href instanceof SVGAnimatedString ? '' : link.href)"


def faults(page: Page) -> list[str]:
    """What axe-core finds serious or critical in the page as it stands, in light and in dark."""
    found = []
    for scheme, rules in SCHEMES.items():
        page.emulate_media(color_scheme=scheme)
        response = Axe().run(page, options=dict(rules)).response
        found += [(scheme, rule) for rule in response["violations"]]
    return [
        f"{page.url}: {rule['id']} ({scheme}, {rule['impact']}): {node['html'][:200]}"
        for scheme, rule in found
        if rule["impact"] in SERIOUS
        for node in rule["nodes"]
    ]


def pages_reached(page: Page, app: Flask, address: str) -> Iterator[tuple[str, str]]:
    """Open one page of every kind that links lead to; its endpoint and source while it is open."""
    waiting = [rule.rule for rule in app.url_map.iter_rules() if _is_plain_page(rule)]
    seen: set[str] = set()
    while waiting:
        path = waiting.pop(0)
        endpoint = _endpoint(app, path)
        if endpoint is None or endpoint in seen:
            continue
        answer = page.request.head(address + path)  # of a stream, the whole would never come
        if not answer.ok or "text/html" not in answer.headers.get("content-type", ""):
            continue
        seen.add(endpoint)
        sent = page.goto(address + path)
        assert sent is not None
        yield endpoint, sent.text()
        links = [urlsplit(link) for link in page.evaluate(LINKS) if link.startswith(address + "/")]
        waiting += [unquote(link.path) + (f"?{link.query}" if link.query else "") for link in links]


def _is_plain_page(rule: Rule) -> bool:
    return "GET" in (rule.methods or ()) and not rule.arguments


def _endpoint(app: Flask, path: str) -> str | None:
    try:
        adapter = app.url_map.bind("station.example")
        endpoint, _ = adapter.match(path.partition("?")[0], method="GET")
    except (HTTPException, RequestRedirect):
        return None
    return None if endpoint == "static" else str(endpoint)
