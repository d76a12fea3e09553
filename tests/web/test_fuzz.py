"""Every route with anything in its address, query, form and cookie: none answers with a 500.

Routes come from the application's own map. The names of their fields are learned from the pages'
forms and from what the routes themselves look up, so that a page that is added is tried without a
word here.
"""

import os
import shutil
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from flask import Request, request, url_for
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from werkzeug.datastructures import ImmutableMultiDict
from werkzeug.routing import BuildError, Rule

from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from tests.doors import cheap_hashes, give_secret
from tests.web.benches import BenchAtHand
from tests.web.crawl import crawl, forms_of
from tests.web.invented import HOSTILE, NOW, moment
from tests.web.visitor import Visitor
from web import access, create_app

REQUESTS = int(os.environ.get("FUZZ_REQUESTS", "400"))
"""How many are sent; a longer search is worth its time after a page was added."""

TEXTS = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["", " ", "0", "-1", "1e400", "nan", "-inf", "9" * 30, "1" * 5000, "1,5", "\x00", "\ud800",
         HOSTILE, "[]", "{}", '["a", 1]', "[" * 2000, "18 AWG", "../..", "x" * 300, "2031-02-30",
         "9999-12-31", "0001-01-01", "٣", "true", "None", "%00", "a\nb\tc"]
    ),
)  # fmt: skip

looked_up: defaultdict[str, set[str]] = defaultdict(set)
"""Names of fields by the route that asked for them."""


class Spy(ImmutableMultiDict[str, str]):
    """Fields of a request that remember by which names they were asked for."""

    def get(self, key: str, *arguments: Any, **more: Any) -> Any:
        _note(key)
        return super().get(key, *arguments, **more)

    def getlist(self, key: str, *arguments: Any, **more: Any) -> Any:
        _note(key)
        return super().getlist(key, *arguments, **more)

    def __getitem__(self, key: str) -> str:
        _note(key)
        return super().__getitem__(key)

    def __contains__(self, key: object) -> bool:
        _note(str(key))
        return super().__contains__(key)


class SpyingRequest(Request):
    parameter_storage_class = Spy


def _note(key: str) -> None:
    if key != "csrf_token":
        looked_up[request.endpoint or ""].add(key)


@dataclass(repr=False)
class Target:
    """An application with everything that can be guessed about it."""

    lead: Visitor
    stranger: Visitor
    names: dict[str, set[str]]
    values: list[str]


@pytest.fixture(scope="module")
def target(history: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    path = tmp_path_factory.mktemp("fuzz") / "station.ledger"
    shutil.copy(history, path)
    with Ledger.open(path, clock=lambda: moment(NOW)) as ledger, cheap_hashes():
        give_secret(ledger, "Ann Example")
        bench = BenchAtHand(ledger)
        app = create_app(bench, testing=True, clock=lambda: NOW)
        app.request_class = SpyingRequest
        lead = Visitor(app).sign_in()
        forms = forms_of(crawl(lead).values())
        names: dict[str, set[str]] = defaultdict(set)
        adapter = app.url_map.bind("")
        for form in forms:
            endpoint, _ = adapter.match(form.action.partition("?")[0], method=form.method.upper())
            names[endpoint] |= set(form.names)
        for form in forms:
            lead.get(form.action, query_string=dict.fromkeys(form.names, "x"))
            if form.method == "post" and form.action != "/sign-out":
                chosen = {name: found[0] for name, found in form.choices.items() if found}
                lead.post(form.action, **(form.fixed | dict.fromkeys(form.texts, "5") | chosen))
        for endpoint, asked in looked_up.items():
            names[endpoint] |= asked
        values = {value for form in forms for found in form.choices.values() for value in found}
        values |= {row.sample_id for row in ledger.reader.samples(limit=5)}
        values |= {entry.id for entry in ledger.reader.entries(limit=5)}
        values |= {"Ann Example", "Bo Invented", "Hand tool 1", "red", "meter", "tester"}
        found = Target(lead, Visitor(app), dict(names), sorted(values))
        sign_in_again(found)
        yield found
        bench.close()


@pytest.fixture(scope="module")
def rules(target: Target) -> dict[str, Rule]:
    return {rule.endpoint: rule for rule in target.lead.app.url_map.iter_rules()}


def test_the_routes_and_their_fields_are_found(target: Target, rules: dict[str, Rule]) -> None:
    assert len(rules) > 25
    assert len(set().union(*target.names.values())) > 30
    assert "before" in target.names["samples.sample_list"]
    assert "secret" in target.names["people.sign_in"]


@settings(
    max_examples=REQUESTS,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_nothing_that_is_sent_gives_a_500(
    target: Target, rules: dict[str, Rule], data: st.DataObject
) -> None:
    words = st.one_of(st.sampled_from(target.values), TEXTS)
    rule = rules[data.draw(st.sampled_from(sorted(rules)), label="route")]
    who = target.stranger if data.draw(st.integers(0, 5), label="who") == 0 else target.lead
    path = data.draw(paths(rule, words, who), label="path")
    known = sorted(target.names.get(rule.endpoint, ())) or ["x"]
    fields = st.dictionaries(st.sampled_from(known), words, max_size=len(known))
    query = data.draw(fields, label="query")
    methods = sorted((rule.methods or set()) - {"OPTIONS", "HEAD"})
    method = data.draw(st.sampled_from(methods), label="method")
    form = data.draw(fields, label="form") if method == "POST" else {}
    if method == "POST" and data.draw(st.integers(0, 9), label="with token"):
        form["csrf_token"] = who.token()
    answer = who.client.open(
        path, method=method, query_string=as_bytes(query), data=as_bytes(form) or None
    )
    assert answer.status_code < 500
    answer.close()
    may_be_out = method == "POST" and rule.endpoint.startswith("people.")
    if may_be_out and "Signed in as" not in target.lead.get("/sign-in").text:
        sign_in_again(target)


def as_bytes(given: dict[str, str]) -> dict[str, Any]:
    """Text as it travels: half a character as from a broken client."""
    return {name: value.encode("utf-8", "surrogatepass") for name, value in given.items()}


def paths(rule: Rule, words: st.SearchStrategy[str], who: Visitor) -> st.SearchStrategy[str]:
    """Addresses of one route; what its converters refuse leaves the bare pattern."""

    def build(values: dict[str, str]) -> str:
        clean: Any = {
            name: value.encode("utf-8", "replace").decode()[:400] for name, value in values.items()
        }
        with who.app.test_request_context("/"):
            try:
                return url_for(rule.endpoint, **clean)
            except BuildError:
                return rule.rule

    return st.fixed_dictionaries(dict.fromkeys(rule.arguments, words)).map(build)


def sign_in_again(target: Target) -> None:
    """Whoever signed the lead out, or took the role or the secret: it is given back."""
    station = target.lead.app.extensions["station"]
    ledger = station.bench.ledger
    ledger.append(PersonAdded(name="Ann Example", role="lead", demo=True), person="Ann Example")
    give_secret(ledger, "Ann Example")
    with target.lead.app.test_request_context("/"):
        access.sign_ins().end_all("Ann Example")
    target.lead.client = target.lead.app.test_client()
    target.lead.sign_in()
