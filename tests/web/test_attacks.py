"""What somebody may try over HTTP: all of it is refused and, where it matters, in the audit.

The list follows the OWASP Top Ten and ASVS headings as far as they apply to a page without outgoing
requests [memory]. Hostile photos, the only files that are taken, are tried where photos are.
"""

import shutil
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask
from flask.sessions import SecureCookieSessionInterface

from station.errors import NotAllowed
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.settings import ANY_ADDRESS, DoorSettings, Settings
from station.shop.rights import FREE_TRIES, Right
from tests.doors import PASSPHRASE, PIN, give_secret
from tests.web.benches import BenchAtHand
from tests.web.crawl import Form, Reader, crawl, forms_of, read
from tests.web.invented import NOW, moment
from tests.web.visitor import ELSEWHERE, Visitor
from web import access, create_app
from web.app import MAX_REQUEST_BYTES
from web.sign_ins import SignIns

LEAD_ONLY = (
    ("/people/add", {"name": "Eve Invented", "role": "lead"}),
    ("/people/role", {"name": "Bo Invented", "role": "lead"}),
    ("/people/leave", {"name": "Ann Example"}),
    ("/people/secret", {"name": "Ann Example", "new_secret": "nine brown otters",
                        "again": "nine brown otters"}),
    ("/samples/{sample}/correct", {"act": "void", "reason": "so that it looks better"}),
)  # fmt: skip

HOSTILE = "\"onzzz9=\"1'onzzz9='1><zzz9 onzzz9=1>"


class Ticks:
    at_s = 0.0

    def __call__(self) -> float:
        return self.at_s


@pytest.fixture
def shared(bench: BenchAtHand, ledger: Ledger) -> Flask:
    """The page where other machines reach it."""
    bench.settings = Settings(host=ANY_ADDRESS, doors=DoorSettings(hosts=("bench.example",)))
    give_secret(ledger, "Ann Example")
    give_secret(ledger, "Bo Invented", "eight brown otters")
    return create_app(bench, testing=True, clock=lambda: NOW)


@pytest.fixture
def sample(records: LedgerReader) -> str:
    return next(row.sample_id for row in records.samples() if row.verdict == "fail")


def state(records: LedgerReader) -> object:
    """Everything that an attack may want to change."""
    return records.people(former=True), records.samples(limit=1000), records.counts().samples


def audit(records: LedgerReader) -> list[tuple[str, str]]:
    return [(row.event, row.about) for row in records.audit(limit=1000)]


# ---- no session, old session, somebody else's session ------------------------------------------


@pytest.mark.parametrize(("path", "form"), LEAD_ONLY)
def test_without_a_sign_in_nothing_is_changed(
    visitor: Visitor, ledger: Ledger, records: LedgerReader, sample: str, path: str,
    form: dict[str, str],
) -> None:  # fmt: skip
    give_secret(ledger, "Ann Example")
    before = state(records)
    answer = visitor.post(path.format(sample=sample), **form)
    assert answer.status_code == 401
    assert state(records) == before


def test_on_a_shared_network_every_page_wants_a_name(
    shared: Flask, records: LedgerReader, sample: str
) -> None:
    before = state(records)
    for address in (ELSEWHERE, "127.0.0.1"):
        visitor = Visitor(shared, address)
        for rule in shared.url_map.iter_rules():
            if rule.endpoint in access.ALWAYS_OPEN:
                continue
            path = rule.rule.replace("<sample_id>", sample)
            path = path.replace("<tool>", "Hand tool 1").replace("<path:nest>", "red")
            for method in (rule.methods or set()) & {"GET", "POST"}:
                answer = visitor.get(path) if method == "GET" else visitor.post(path)
                refused = answer.status_code == 401 or (
                    answer.status_code == 303 and "/sign-in" in answer.headers["Location"]
                )
                # Signing out is for everybody.
                assert refused or rule.endpoint == "people.sign_out", (method, path)
                assert "Bo Invented" not in answer.text
    assert state(records) == before


def test_the_sign_in_page_tells_strangers_no_names(shared: Flask) -> None:
    text = Visitor(shared, ELSEWHERE).get("/sign-in").text
    assert "Ann Example" not in text
    assert "Invented meter" not in text


@pytest.mark.parametrize("after_s", [601.0, 3601.0])
def test_a_sign_in_that_ran_out_is_worthless(
    bench: BenchAtHand, ledger: Ledger, records: LedgerReader, sample: str, after_s: float
) -> None:
    ticks = Ticks()
    book = SignIns(600.0, 3600.0, ticks)
    app = create_app(bench, testing=True, clock=lambda: NOW, sign_ins=book)
    give_secret(ledger, "Ann Example")
    lead = Visitor(app).sign_in()
    if after_s > 3600.0:
        while ticks.at_s < 3599.0:
            ticks.at_s += 500.0
            lead.get("/samples")
    ticks.at_s = after_s
    before = state(records)
    for path, form in LEAD_ONLY:
        assert lead.post(path.format(sample=sample), **form).status_code == 401
    assert state(records) == before


def test_a_cookie_that_was_changed_or_made_up_is_nobodys(
    lead: Visitor, app: Flask, records: LedgerReader
) -> None:
    cookie = lead.client.get_cookie("session")
    assert cookie is not None

    forger = Flask("forger")
    forger.secret_key = "guessed"
    serializer = SecureCookieSessionInterface().get_signing_serializer(forger)
    assert serializer is not None
    forged = serializer.dumps({access.TOKEN: "x", "person": "Ann Example", "role": "lead"})
    head, _, tail = cookie.value.rpartition(".")
    for value in (forged, "", "x", cookie.value[:-2], f"{head}.{tail[::-1]}", cookie.value * 2):
        thief = Visitor(app)
        thief.client.set_cookie("session", value)
        assert "Signed in as" not in thief.get("/sign-in").text
        answer = thief.client.post("/people/add", data={"name": "Eve", "role": "lead"})
        assert answer.status_code == 400
    assert records.person("Eve") is None


def test_a_cookie_from_before_a_restart_or_a_sign_out_is_worthless(
    lead: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    cookie = lead.client.get_cookie("session")
    assert cookie is not None
    lead.post("/sign-out")
    restarted = create_app(bench, testing=True, clock=lambda: NOW)
    for app in (lead.app, restarted):
        thief = Visitor(app)
        thief.client.set_cookie("session", cookie.value)
        assert "Signed in as" not in thief.get("/sign-in").text


def test_a_session_that_was_planted_before_signing_in_gains_nothing(
    app: Flask, ledger: Ledger
) -> None:
    give_secret(ledger, "Ann Example")
    attacker = Visitor(app)
    attacker.get("/sign-in")
    planted = attacker.client.get_cookie("session")
    assert planted is not None
    victim = Visitor(app)
    victim.client.set_cookie("session", planted.value)
    victim.sign_in()
    assert "Signed in as" not in attacker.get("/sign-in").text


# ---- forged requests ---------------------------------------------------------------------------


def test_no_change_without_the_token_of_this_very_session(
    lead: Visitor, app: Flask, records: LedgerReader, sample: str
) -> None:
    stranger = Visitor(app)
    before = state(records)
    for token in (None, "", "x", stranger.token()):
        for path, form in LEAD_ONLY:
            data = form if token is None else {**form, "csrf_token": token}
            answer = lead.client.post(path.format(sample=sample), data=data)
            assert answer.status_code == 400
    assert state(records) == before


def test_a_token_from_before_signing_in_is_worthless_after(app: Flask, ledger: Ledger) -> None:
    give_secret(ledger, "Ann Example")
    visitor = Visitor(app)
    old = visitor.token()
    visitor.sign_in()
    answer = visitor.client.post(
        "/people/add", data={"csrf_token": old, "name": "Eve", "role": "lead"}
    )
    assert answer.status_code == 400


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE"])
def test_other_methods_reach_nothing(lead: Visitor, records: LedgerReader, method: str) -> None:
    before = state(records)
    for path in ("/people/add", "/sign-in", "/samples"):
        answer = lead.client.open(path, method=method)
        assert answer.status_code == 405
        hidden = {"X-HTTP-Method-Override": "POST", "X-Method-Override": "POST"}
        lead.get(path if path != "/people/add" else "/people", headers=hidden)
    assert state(records) == before


# ---- climbing ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("path", "form"), LEAD_ONLY)
def test_an_apprentice_does_not_climb_and_the_try_is_audited(
    apprentice: Visitor, records: LedgerReader, sample: str, path: str, form: dict[str, str]
) -> None:
    before = state(records)
    extra = {"person": "Ann Example", "actor": "Ann Example", "lead": "1", "is_lead": "true"}
    for more in ({}, extra, {"signed_in": "Ann Example"}):
        answer = apprentice.post(path.format(sample=sample), **{**more, **form})
        assert answer.status_code == 403
        assert "a lead must do that" in answer.text
    assert state(records) == before
    tries = [event for event in audit(records) if event[0] == "refused"]
    assert tries == [("refused", "Bo Invented")], "once per sign-in and right"


def test_an_apprentice_does_not_take_the_place_of_another(
    shared: Flask, records: LedgerReader, bench: BenchAtHand
) -> None:
    apprentice = Visitor(shared, ELSEWHERE).sign_in("Bo Invented", "eight brown otters")
    page = read("/bench", apprentice.get("/bench"))
    [describe] = [form for form in page.forms if "connector" in form.choices]
    order = filled(describe, "18 AWG") | {"connector": "butt-splice-red", "wire": "18 AWG",
                                          "wire2": ""}  # fmt: skip
    order["limit_set"] = "ul-486a-1991"
    answer = apprentice.post("/bench", **order | {"person": "Ann Example"})
    assert answer.status_code == 403
    assert "under another name" in answer.text
    unknown = apprentice.post("/bench", **order | {"person": "Eve Unknown"})
    assert unknown.status_code == 400
    assert apprentice.post("/bench", **order | {"person": "Bo Invented"}).status_code == 303
    taken = bench.board.state.order
    assert taken is not None
    assert taken.person == "Bo Invented"


def test_whoever_has_left_is_out_at_once(
    lead: Visitor, app: Flask, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Bo Invented", PIN)
    gone = Visitor(app).sign_in("Bo Invented", PIN)
    lead.post("/people/leave", name="Bo Invented")
    assert "Signed in as" not in gone.get("/sign-in").text
    assert gone.post("/sign-in", name="Bo Invented", secret=PIN).status_code == 401


def test_nobody_signs_their_own_certification_and_the_try_is_audited(
    lead: Visitor, app: Flask, records: LedgerReader
) -> None:
    cookie = lead.client.get_cookie("session")
    assert cookie is not None
    with app.test_request_context("/", headers={"Cookie": f"session={cookie.value}"}):
        for own in ("Ann Example", "ann example", " Ann  Example ", "Ａnn Example"):
            with pytest.raises(NotAllowed, match="for themselves"):
                access.demand(Right.CERTIFY, about=own)
        assert access.demand(Right.CERTIFY, about="Bo Invented").name == "Ann Example"
    assert audit(records)[0] == ("refused", "Ann Example")


# ---- guessing ----------------------------------------------------------------------------------


def test_guessing_a_pin_in_parallel_compares_no_more_than_the_free_tries(
    app: Flask, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Bo Invented", PIN)
    statuses: list[int] = []

    def guess(first: int) -> None:
        visitor = Visitor(app)
        token = visitor.token()
        for pin in range(first, first + 25):
            form = {"csrf_token": token, "name": "Bo Invented", "secret": f"{pin:06d}"}
            statuses.append(visitor.client.post("/sign-in", data=form).status_code)

    threads = [threading.Thread(target=guess, args=(480_900 + 25 * n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert statuses.count(401) == FREE_TRIES
    assert statuses.count(429) == 100 - FREE_TRIES
    assert audit(records)[:2] == [("locked_out", "Bo Invented"), ("sign_in_failed", "Bo Invented")]
    assert len([event for event in audit(records) if event[0] == "sign_in_failed"]) == FREE_TRIES


def test_a_day_of_guessing_is_a_handful_of_tries_and_of_entries(
    history: Path, tmp_path: Path
) -> None:
    at, tries = [NOW], 0
    path = tmp_path / "station.ledger"
    shutil.copy(history, path)
    # The page and its record go by the same clock.
    with Ledger.open(path, clock=lambda: moment(at[0])) as ledger:
        give_secret(ledger, "Ann Example")
        with closing(BenchAtHand(ledger)) as bench:
            visitor = Visitor(create_app(bench, testing=True, clock=lambda: at[0]))
            for _ in range(24 * 4):
                at[0] += timedelta(minutes=15)
                secret = f"wrong secret {tries}"
                answer = visitor.post("/sign-in", name="Ann Example", secret=secret)
                tries += answer.status_code == 401
        assert tries < 40
        assert len(ledger.reader.audit(limit=1000)) < 100


def test_a_stranger_on_the_network_guesses_no_pin_and_locks_no_bench(
    shared: Flask, ledger: Ledger, records: LedgerReader
) -> None:
    stranger = Visitor(shared, ELSEWHERE)
    for secret in ("a", "b", "c", "d"):
        stranger.post("/sign-in", name="Ann Example", secret=secret)
    locked = stranger.post("/sign-in", name="Ann Example", secret=PASSPHRASE)
    assert locked.status_code == 429
    newest = records.audit(limit=1)[0]
    assert (newest.event, newest.address) == ("locked_out", ELSEWHERE)
    Visitor(shared).sign_in()
    # Saying to be the bench does not help: no proxy is believed unless the settings name one.
    headers = {
        "X-Forwarded-For": "127.0.0.1",
        "X-Real-IP": "127.0.0.1",
        "Forwarded": "for=127.0.0.1",
    }
    form = {"csrf_token": stranger.token(), "name": "Ann Example", "secret": PASSPHRASE}
    answer = stranger.client.post(
        "/sign-in", data=form, headers=headers, environ_base=stranger.came_from
    )
    assert answer.status_code == 429


# ---- paths and hosts ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../../../../etc/passwd",
        "/static/..%2f..%2f..%2f..%2fetc%2fpasswd",
        "/static/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/static/....//....//etc/passwd",
        "/static//etc/passwd",
        "/static/..\\..\\etc\\passwd",
        "/static/%00",
        "/static/../app.py",
        "/samples/..%2f..%2fetc%2fpasswd",
        "/samples/%00/trace.svg",
        "/tools/..%2f..%2fetc/passwd",
        "/instruments/procedure/..%2f..%2fpyproject",
        "/instruments/procedure/../../../etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_pages(lead: Visitor, path: str) -> None:
    answer = lead.get(path)
    assert answer.status_code in (303, 308, 400, 404)
    assert "root:" not in answer.text
    assert "import" not in answer.text
    answer.close()


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "localhost.evil.example",
        "127.0.0.1.evil.example",
        "evil.example:8000",
        "127.0.0.2",
        "0.0.0.0:8000",
        "bench.example",
        "",
        "localhost:8000@evil.example",
        "local host",
    ],
)
def test_a_page_under_a_strange_name_is_refused(
    app: Flask, records: LedgerReader, host: str
) -> None:
    before = state(records)
    client = app.test_client()
    # What DNS rebinding sends: the attacker's name, to our address.
    for method, path in (("GET", "/"), ("GET", "/bench/state"), ("POST", "/bench/confirm")):
        answer = client.open(path, method=method, environ_overrides={"HTTP_HOST": host})
        assert answer.status_code == 400
        assert "not served under that name" in answer.text
    assert state(records) == before


@pytest.mark.parametrize("host", ["localhost", "localhost:8000", "127.0.0.1:8000", "127.0.0.1"])
def test_a_page_under_its_own_name_is_served(app: Flask, host: str) -> None:
    answer = app.test_client().get("/", environ_overrides={"HTTP_HOST": host})
    assert answer.status_code == 200


@pytest.mark.parametrize("text", ["' OR 1=1 --", '" OR ""="', "%", "_", "1; DROP TABLE person"])
def test_a_filter_is_text_and_no_query(lead: Visitor, records: LedgerReader, text: str) -> None:
    before = state(records)
    for name in ("person", "place", "verdict", "before"):
        assert lead.get("/samples", query_string={name: text}).status_code == 200
    assert "No sample fits" in lead.get("/samples", query_string={"person": text}).text
    assert state(records) == before


# ---- bodies ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"x" * (MAX_REQUEST_BYTES + 1), "application/x-www-form-urlencoded"),
        (b"name=" + b"%41" * MAX_REQUEST_BYTES, "application/x-www-form-urlencoded"),
        (b"--b\r\n" * 20_000, "multipart/form-data; boundary=b"),
    ],
)
def test_an_oversized_body_is_refused(lead: Visitor, body: bytes, kind: str) -> None:
    for path in ("/people/add", "/sign-in", "/bench"):
        answer = lead.client.post(path, data=body, content_type=kind)
        assert answer.status_code in (400, 413)


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"", "application/x-www-form-urlencoded"),
        (b"\xff\xfe%%%&&&===%zz", "application/x-www-form-urlencoded"),
        (b"name", "multipart/form-data"),
        (b"--b\r\nContent-Disposition: form-data\r\n\r\n", "multipart/form-data; boundary=b"),
        (b'--b\r\nContent-Disposition: form-data; name="\xff', "multipart/form-data; boundary=b"),
        (b"{", "application/json"),
        (b'{"csrf_token": 1}', "application/json"),
        (b"\x00" * 100, "text/plain; charset=nothing"),
        (b"a=1&" * 5_000, "application/x-www-form-urlencoded"),
    ],
)  # fmt: skip
def test_a_malformed_body_is_refused(
    lead: Visitor, records: LedgerReader, body: bytes, kind: str
) -> None:
    before = state(records)
    for path in ("/people/add", "/sign-in", "/bench", "/bench/abandon"):
        answer = lead.client.post(path, data=body, content_type=kind)
        assert 400 <= answer.status_code < 500
    assert state(records) == before


# ---- stored script -----------------------------------------------------------------------------


def filled(form: Form, text: str) -> dict[str, str]:
    """The form as somebody fills it in who types the same into every field."""
    chosen = {name: values[-1] for name, values in form.choices.items() if values}
    return form.fixed | chosen | dict.fromkeys(form.texts, text)


def test_a_script_in_any_field_of_any_form_stays_text(lead: Visitor, ledger: Ledger) -> None:
    forms = forms_of(crawl(lead).values(), "post")
    assert len({form.action for form in forms}) > 8
    sent = 0
    for form in forms:
        # Signing out would end the tour; a wrong passphrase is tried elsewhere.
        if form.action in ("/sign-out", "/sign-in", "/sign-in/secret", "/people/leave"):
            continue
        fillings = [filled(form, HOSTILE), filled(form, HOSTILE[:58])]
        fillings += [filled(form, "5") | {name: HOSTILE[:58]} for name in form.texts]
        for filling in fillings:
            answer = lead.post(form.action, **filling)
            assert answer.status_code < 500
            assert_clean(form.action, answer.text)
            sent += 1
    assert sent > 40
    after = crawl(lead)
    assert len(after) > 20
    for path, page in after.items():
        assert "zzz9" not in page.tags, path
        assert "onzzz9" not in page.attributes, path
    kept = "".join(str(entry.payload) for entry in ledger.reader.entries())
    assert "zzz9" in kept, "nothing hostile was stored, so nothing was tried"


def assert_clean(path: str, text: str) -> None:
    reader = Reader(path)
    reader.feed(text)
    assert "zzz9" not in reader.tags, path
    assert "onzzz9" not in reader.attributes, path


# ---- headers -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["/samples\r\nX-Evil: 1", "/\r\n\r\n<p>", "//evil.example", "/a\0b"]
)
def test_nothing_that_was_sent_becomes_a_header(app: Flask, ledger: Ledger, text: str) -> None:
    give_secret(ledger, "Ann Example")
    visitor = Visitor(app)
    answer = visitor.post("/sign-in", name="Ann Example", secret=PASSPHRASE, next=text)
    assert answer.status_code == 303
    assert "X-Evil" not in answer.headers
    assert answer.headers["Location"] in ("/", "/samples")
    for path in ("/people/audit%0d%0aX-Evil:1", "/samples/x%0d%0aX-Evil:1"):
        assert "X-Evil" not in Visitor(app).get(path).headers


# ---- logs --------------------------------------------------------------------------------------


@pytest.fixture
def logged(caplog: pytest.LogCaptureFixture) -> Iterator[pytest.LogCaptureFixture]:
    with caplog.at_level("DEBUG"):
        yield caplog


def test_no_secret_is_logged_or_recorded(
    lead: Visitor, ledger: Ledger, logged: pytest.LogCaptureFixture
) -> None:
    Visitor(lead.app).post("/sign-in", name="Ann Example", secret="a wrong secret")
    Visitor(lead.app).post("/sign-in", name="a secret as a name", secret="a wrong secret")
    new = {"new_secret": "nine brown otters", "again": "nine brown otters"}
    lead.post("/sign-in/secret", secret=PASSPHRASE, **new)
    text = logged.text + "".join(str(entry) for entry in ledger.reader.entries())
    for secret in ("a wrong secret", "a secret as a name", "nine brown otters", PASSPHRASE):
        assert secret not in text
