"""Requests that no browser sends, to the server that the station runs."""

import socket
from collections.abc import Iterator
from contextlib import suppress

import pytest
from flask import Flask

from station.cli.page_server import MAX_HEADER_BYTES
from station.ledger.reader import LedgerReader
from tests.web.at_port import PATIENCE_S, at_port
from web.app import MAX_REQUEST_BYTES

END = b"Host: localhost\r\nConnection: close\r\n"
GOOD = b"GET /samples HTTP/1.1\r\n" + END + b"\r\n"


@pytest.fixture
def port(app: Flask) -> Iterator[int]:
    with at_port(app) as (number, _):
        yield number


def ask(port: int, request: bytes) -> bytes:
    """Send bytes and read until the server closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as line:
        line.sendall(request)
        answer = b""
        # A server that cuts the line in the middle of a request has refused it.
        with suppress(ConnectionResetError):
            while chunk := line.recv(65_536):
                answer += chunk
    return answer


def post(headers: bytes, body: bytes = b"") -> bytes:
    return (
        b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
        + headers
        + b"\r\n"
        + body
    )


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\n Host: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * MAX_HEADER_BYTES + b"\r\n\r\n",
        b"GET /" + b"a" * MAX_HEADER_BYTES + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
        post(b"Content-Length: -1\r\n"),
        post(b"Content-Length: 1e3\r\n"),
        post(b"Content-Length: 4\r\nContent-Length: 5\r\n", b"abcde"),
        post(b"Content-Length: %d\r\n" % (MAX_REQUEST_BYTES + 1)),
        post(b"Transfer-Encoding: chunked\r\n", b"zz\r\nab\r\n0\r\n\r\n"),
        post(b"Transfer-Encoding: chunked, identity\r\n", b"0\r\n\r\n"),
        post(b"Content-Length: 3\r\nContent-Type: application/x-www-form-urlencoded\r\n", b"a=b"),
    ],
)
def test_what_breaks_the_rules_is_refused_and_the_server_stays(
    port: int, records: LedgerReader, request_bytes: bytes
) -> None:
    before = records.counts()
    answer = ask(port, request_bytes)
    if answer:
        status = int(answer.split(b" ", 2)[1])
        # 501: an encoding that HTTP knows and the server does not.
        assert 400 <= status < 500 or status == 501
    good = ask(port, GOOD)
    assert good.startswith(b"HTTP/1.1 200 ")
    assert records.counts() == before


def test_a_body_in_another_request_is_no_request(port: int) -> None:
    """Request smuggling: the rest of a body must not be answered as a request of its own."""
    hidden = b"GET /nowhere HTTP/1.1\r\nHost: localhost\r\n\r\n"
    both = post(b"Content-Length: 6\r\nTransfer-Encoding: chunked\r\n", b"0\r\n\r\n" + hidden)
    assert ask(port, both).count(b"HTTP/1.1 ") == 1


@pytest.mark.parametrize(
    "path", [b"/samples/x%0d%0aX-Evil:%201", b"/sign-in?next=%0d%0aX-Evil:%201"]
)
def test_no_header_is_made_of_what_was_sent(port: int, path: bytes) -> None:
    answer = ask(
        port, b"GET " + path + b" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    )
    head = answer.partition(b"\r\n\r\n")[0]
    assert b"X-Evil" not in head
    assert b"\r\nServer:" not in head
