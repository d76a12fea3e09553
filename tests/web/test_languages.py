"""The page in other languages: every text there, every placeholder kept, nothing broken."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import read_po
from flask.testing import FlaskClient

from web.translation import FOLDER, catalogue, languages, translate

ROOT = Path(__file__).parents[2]
FILES = sorted(FOLDER.glob("*.po"))
PLACEHOLDER = re.compile(r"%\(\w+\)s|%%|\{[^{}]*\}")


def in_sources() -> Iterator[str]:
    """Every text that the page can show in another language, as pybabel extracts it."""
    with (ROOT / ".babel.cfg").open(encoding="utf-8") as file:
        methods, options = parse_mapping_cfg(file)  # type: ignore[no-untyped-call]
    for found in extract_from_dir(ROOT, methods, options):
        yield str(found[2])


def read(path: Path) -> Catalog:
    with path.open("rb") as file:
        return read_po(file, locale=path.stem, abort_invalid=True)


def test_there_is_a_second_language() -> None:
    assert languages() == {"en": "English", "de": "Deutsch"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_text_is_translated_and_none_is_left_over(path: Path) -> None:
    in_file = {str(message.id): message.string for message in read(path) if message.id}
    assert set(in_file) == set(in_sources()), "see Add a language in DEVELOPERS.md"
    assert [text for text, translated in in_file.items() if not translated] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_placeholders_are_kept(path: Path) -> None:
    wrong = [
        message.id
        for message in read(path)
        if message.id
        and set(PLACEHOLDER.findall(str(message.id)))
        != set(PLACEHOLDER.findall(str(message.string)))
    ]
    assert wrong == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_no_text_waits_for_somebody_to_look_at_it(path: Path) -> None:
    assert [message.id for message in read(path) if message.id and message.fuzzy] == []


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


def test_an_error_is_told_in_the_readers_language(client: FlaskClient, token: str) -> None:
    client.set_cookie("language", "de")
    answer = client.post("/choices", data={"csrf_token": token, "force": "pounds"})
    assert "Unten auf der Seite wählen" in answer.text
    assert "&#39;pounds&#39;" in answer.text


def test_what_is_not_translated_stays_english() -> None:
    assert "a text of tomorrow" not in catalogue("de")
    assert translate("a text of tomorrow") == "a text of tomorrow"
