"""The page on connectors says what the command line says."""

import json

import pytest
from flask.testing import FlaskClient

from station.cli.main import run
from station.crimp.facts import shipped_book


def test_every_connector_is_shown_with_what_the_command_says(
    client: FlaskClient, capsys: pytest.CaptureFixture[str]
) -> None:
    page = " ".join(client.get("/connectors").text.split())
    assert run(["connectors", "--json"]) == 0
    for told in json.loads(capsys.readouterr().out):
        assert told["title"] in page
        assert ", ".join(told["accepts"]) in page
        if told["strip_length_mm"] is not None:
            low, high = told["strip_length_mm"]
            assert f"{low:g} to {high:g} mm" in page
        for item in told["checklist"]:
            assert item["question"].split("'")[0] in page


def test_joints_that_must_not_be_built_say_so(client: FlaskClient) -> None:
    refused = [family for family in shipped_book().families.values() if not family.accepted_joint]
    page = client.get("/connectors").text
    assert refused
    assert page.count("must not be built") == len(refused)


def test_cautions_stand_before_the_clips(client: FlaskClient) -> None:
    page = client.get("/connectors").text
    assert "airbag" in page
    assert page.index("battery disconnected") < page.index("Current clips")
