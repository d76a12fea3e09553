"""The shipped proxy configuration, by a real nginx, before the server that the station runs."""

import http.cookiejar
import re
import shutil
import socket
import ssl
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.settings import DoorSettings, Settings
from tests.doors import PASSPHRASE, PIN, cheap_hashes, give_secret
from tests.web.at_port import PATIENCE_S, at_port
from tests.web.benches import BenchAtHand
from tests.web.invented import NOW
from web import create_app

SHIPPED = Path(__file__).parents[2] / "firmware_notes/service/crimp-station.nginx"
AROUND = "daemon off; pid {0}/pid; error_log stderr; events {{}}\nhttp {{ access_log off;\n"
FORGED = {
    "X-Forwarded-For": "127.0.0.1",
    "X-Forwarded-Host": "127.0.0.1",
    "X-Real-IP": "127.0.0.1",
    "Forwarded": "for=127.0.0.1",
}


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def own_address() -> str:
    """An address of this machine that others see it by: nobody is asked."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.connect(("192.0.2.1", 9))
        return str(sender.getsockname()[0])


@dataclass
class Browser:
    """Comes through the proxy from an address, with cookies."""

    port: int
    address: str
    headers: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        context = ssl.create_default_context()
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        jar = http.cookiejar.CookieJar()
        self._open = urllib.request.build_opener(
            urllib.request.HTTPSHandler(context=context),
            urllib.request.HTTPCookieProcessor(jar),
        ).open

    def ask(self, path: str, **form: str) -> tuple[int, str]:
        address = f"https://{self.address}:{self.port}"
        request = urllib.request.Request(f"{address}{path}")
        if form:
            request.data = urllib.parse.urlencode({"csrf_token": self.token(), **form}).encode()
        named = {"Host": "bench.example", "Referer": "https://bench.example/sign-in"}
        for name, value in {**named, **self.headers}.items():
            request.add_header(name, value)
        try:
            with self._open(request, timeout=PATIENCE_S) as answer:
                return int(answer.status), answer.read().decode()
        except urllib.error.HTTPError as refused:
            return refused.code, refused.read().decode()

    def token(self) -> str:
        found = re.search(r'name="csrf_token" value="([^"]+)"', self.ask("/sign-in")[1])
        assert found is not None
        return found[1]


@pytest.fixture
def proxy(bench: BenchAtHand, tmp_path: Path) -> Iterator[int]:
    """The port of the proxy before the page of the bench."""
    bench.settings = Settings(doors=DoorSettings(behind_proxy=True, hosts=("bench.example",)))
    key, certificate = tmp_path / "bench.key", tmp_path / "bench.crt"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=bench.example",
         "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip
    app = create_app(bench, testing=True, clock=lambda: NOW)
    ours, plain = free_port(), free_port()
    with at_port(app) as (port, _), cheap_hashes():
        text = SHIPPED.read_text(encoding="utf-8")
        for shipped, here in (
            ("/etc/crimp-station", str(tmp_path)),
            ("listen 443 ssl", f"listen {ours} ssl"),
            ("listen 80", f"listen {plain}"),
            ("127.0.0.1:8000", f"127.0.0.1:{port}"),
        ):
            assert shipped in text
            text = text.replace(shipped, here)
        configuration = tmp_path / "nginx.conf"
        configuration.write_text(AROUND.format(tmp_path) + text + "}\n", encoding="utf-8")
        nginx = shutil.which("nginx", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
        assert nginx is not None, "tests/run installs it"
        process = subprocess.Popen([nginx, "-c", str(configuration), "-p", str(tmp_path)])
        try:
            until_it_listens(ours)
            yield ours
        finally:
            process.terminate()
            process.wait(PATIENCE_S)


def until_it_listens(port: int) -> None:
    give_up_s = time.monotonic() + PATIENCE_S
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
        except ConnectionRefusedError:
            assert time.monotonic() < give_up_s, "nginx does not listen"
        else:
            return


def test_a_visitor_from_elsewhere_is_one(proxy: int, ledger: Ledger, records: LedgerReader) -> None:
    give_secret(ledger, "Ann Example", PIN)
    outside = Browser(proxy, own_address(), FORGED)
    assert "Ann Example" not in outside.ask("/sign-in")[1]
    status, page = outside.ask("/sign-in", name="Ann Example", secret=PIN)
    assert (status, "A PIN is good at the bench&#39;s own screen only" in page) == (401, True)
    give_secret(ledger, "Ann Example")
    for _ in range(4):
        status, _ = outside.ask("/sign-in", name="Ann Example", secret="not the passphrase")
    assert status == 429
    newest = records.audit(limit=1)[0]
    assert (newest.event, newest.address, newest.way) == ("locked_out", own_address(), "network")
    # Whom strangers locked out is not locked out at the bench, which comes through the proxy too.
    here = Browser(proxy, "127.0.0.1")
    assert "Ann Example" in here.ask("/sign-in")[1]
    assert here.ask("/sign-in", name="Ann Example", secret=PASSPHRASE)[0] == 200
    newest = records.audit(limit=1)[0]
    assert (newest.event, newest.address, newest.way) == ("signed_in", None, "bench")


def test_another_name_is_refused_behind_the_proxy_too(proxy: int) -> None:
    assert Browser(proxy, own_address(), {"Host": "evil.example"}).ask("/sign-in")[0] == 400


def test_without_the_setting_no_forwarded_header_counts(
    bench: BenchAtHand, ledger: Ledger, records: LedgerReader
) -> None:
    app = create_app(bench, testing=True, clock=lambda: NOW)
    seen: list[tuple[str | None, str | None]] = []
    inner = app.wsgi_app

    def looking(environ, start):  # type: ignore[no-untyped-def]
        seen.append((environ["REMOTE_ADDR"], environ.get("HTTP_X_FORWARDED_FOR")))
        return inner(environ, start)

    app.wsgi_app = looking  # type: ignore[method-assign]
    with at_port(app) as (port, _):
        request = urllib.request.Request(f"http://127.0.0.1:{port}/limits")
        for name in ("X-Forwarded-For", "X-Forwarded-Host", "Forwarded"):
            request.add_header(name, "192.0.2.77")
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            assert answer.status == 200
    assert seen == [("127.0.0.1", None)]
