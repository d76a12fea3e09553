"""Somebody with a browser, for tests of who may do what."""

import re
from typing import Any

from flask import Flask
from werkzeug.test import TestResponse

from tests.doors import PASSPHRASE, cheap_hashes

BENCH = "127.0.0.1"
ELSEWHERE = "192.0.2.7"
"""An address that RFC 5737 sets aside for examples."""


class Visitor:
    """Opens pages, sends their forms with the token that came with them, and keeps cookies."""

    def __init__(self, app: Flask, address: str = BENCH) -> None:
        self.app = app
        self.client = app.test_client()
        self.came_from = {"REMOTE_ADDR": address}

    def get(self, path: str, **more: Any) -> TestResponse:
        return self.client.get(path, environ_base=self.came_from, **more)

    def token(self) -> str:
        page = self.get("/sign-in").text
        found = re.search(r'name="csrf_token" value="([^"]+)"', page)
        assert found is not None, page
        return found[1]

    def post(self, path: str, **data: Any) -> TestResponse:
        form = {"csrf_token": self.token(), **data}
        with cheap_hashes():
            return self.client.post(path, data=form, environ_base=self.came_from)

    def sign_in(self, name: str = "Ann Example", secret: str = PASSPHRASE) -> "Visitor":
        answer = self.post("/sign-in", name=name, secret=secret)
        assert answer.status_code == 303, answer.text
        return self
