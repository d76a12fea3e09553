"""The words and helps of the page: whole, and about pages and words that there are."""

import tomllib

import pytest
from flask import Flask
from flask.testing import FlaskClient
from pydantic import ValidationError

from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.verdict import VERDICT_WORDS
from web.glossary import FOLDER, Term, Words, help_of, words, words_of
from web.translation import catalogue

LANGUAGES = sorted(path.stem for path in FOLDER.glob("*.toml"))


def test_helps_are_for_pages_that_there_are(app: Flask) -> None:
    assert set(words().help) <= set(app.view_functions)
    assert help_of("nobody.wrote_it") is None
    assert help_of(None) is None


@pytest.mark.parametrize(
    "path",
    ["/", "/bench", "/more", "/samples", "/tools", "/limits", "/instruments", "/people", "/words"],
)
def test_each_page_of_the_bar_has_its_help(client: FlaskClient, path: str) -> None:
    page = client.get(path).text
    assert '<details class="help" lang="en">' in page
    assert 'href="/words"' in page


def test_every_word_is_explained_and_led_to_by_its_name(client: FlaskClient) -> None:
    page = client.get("/words").text
    for name, term in words().terms.items():
        assert f'<dt id="{name}">' in page
        assert term.text.endswith(".")


def test_the_words_of_verdicts_are_among_them() -> None:
    explained = {term.term for term in words().terms.values()}
    assert set(VERDICT_WORDS.values()) <= explained
    said = " ".join(f"{term.term} {term.text}".lower() for term in words().terms.values())
    assert all(mode.split("_")[0] in said for mode in FAILURE_MODES)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_words_that_the_pages_show_of_nests_and_stock_are_among_them(language: str) -> None:
    shown = ["Steady", "Worn", "Held", "On watch", "Released for the day", "Lot", "Reel", "Way"]
    explained = {term.term for term in words_of(language).terms.values()}
    # Under the very word that a button or a badge bears in that language.
    assert {catalogue(language).get(word, word) for word in shown} <= explained


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("see", ["of-the-moon"]), "no such words: of-the-moon"),
        (("id", "fail"), "come twice: fail"),
    ],
)
def test_a_file_with_loose_ends_is_refused(change: tuple[str, object], says: str) -> None:
    document = tomllib.loads((FOLDER / "en.toml").read_text(encoding="utf-8"))
    terms = next(group["terms"] for group in document["groups"] if group["title"] == "Verdicts")
    next(term for term in terms if term["id"] == "pass")[change[0]] = change[1]
    with pytest.raises(ValidationError, match=says):
        Words.model_validate(document)


def shape(term: Term) -> tuple[str, tuple[str, ...]]:
    return term.id, term.see


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_the_same_words_in_the_same_order(language: str) -> None:
    english, other = words_of("en"), words_of(language)
    assert other.language == language
    assert [[shape(term) for term in group.terms] for group in other.groups] == [
        [shape(term) for term in group.terms] for group in english.groups
    ]
    assert {name: page.words for name, page in other.help.items()} == {
        name: page.words for name, page in english.help.items()
    }


def test_the_words_are_those_of_the_reader(client: FlaskClient) -> None:
    asked = {"Accept-Language": "de"}
    page = client.get("/limits", headers=asked).text
    assert '<details class="help" lang="de">' in page
    assert "<summary>Hilfe</summary>" in page
    assert "Verschleißwächter" in client.get("/words", headers=asked).text
    assert "Wear watch" in client.get("/words", headers={"Accept-Language": "xx"}).text


def test_a_language_without_words_of_its_own_reads_english() -> None:
    assert words_of("xx") is not None
    assert words_of("xx").language == "en"
