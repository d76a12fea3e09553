"""The page in other languages: every text there, every placeholder kept, nothing broken."""

import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from tests.languages import read, wanted
from web.languages import FOLDER, catalogue, languages

FILES = sorted(FOLDER.glob("*.po"))
PLACEHOLDER = re.compile(r"%\(\w+\)s|%%")


def test_there_is_a_second_language() -> None:
    assert languages() == {"en": "English", "de": "Deutsch"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_text_is_translated_and_none_is_left_over(path: Path) -> None:
    in_sources = {str(message.id) for message in wanted() if message.id}
    in_file = {str(message.id): message.string for message in read(path) if message.id}
    assert set(in_file) == in_sources, "run python -m tests.languages"
    assert [text for text, translated in in_file.items() if not translated] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_placeholders_are_kept(path: Path) -> None:
    wrong = [
        message.id
        for message in read(path)
        if message.id
        and sorted(PLACEHOLDER.findall(str(message.id)))
        != sorted(PLACEHOLDER.findall(str(message.string)))
    ]
    assert wrong == []


def test_the_browser_is_answered_in_its_language(client: FlaskClient) -> None:
    german = client.get("/bench", headers={"Accept-Language": "de-AT,de;q=0.9,en;q=0.5"}).text
    assert '<html lang="de">' in german
    assert "Neue Probe" in german
    other = client.get("/bench", headers={"Accept-Language": "fr"}).text
    assert '<html lang="en">' in other
    assert "New sample" in other


def test_a_choice_outlives_the_browsers_wish(client: FlaskClient, token: str) -> None:
    answer = client.post("/choices", data={"csrf_token": token, "language": "de", "next": "/bench"})
    assert (answer.status_code, answer.location) == (303, "/bench")
    assert '<html lang="de">' in client.get("/bench", headers={"Accept-Language": "en"}).text
    state = client.get("/bench/state").get_json()
    assert state["texts"]["todo"].startswith("Aufgabe wählen")


def test_a_language_that_is_not_there_is_refused(client: FlaskClient, token: str) -> None:
    answer = client.post("/choices", data={"csrf_token": token, "language": "../de"})
    assert answer.status_code == 400
    assert "choose at the foot" in answer.text


def test_what_is_not_translated_stays_english() -> None:
    assert catalogue("de").ugettext("a text of tomorrow") == "a text of tomorrow"
