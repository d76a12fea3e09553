"""The station's own sentences in the reader's language."""

import copy
import itertools
import json
import pickle

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from calibration.saying import Said, join, say
from station.errors import BadInput, PortMissing
from web import translation
from web.translation import Part, marked, parts_of

SAYINGS = {
    "{force:.1f} N is too little.": "{force:.1f} N sind zu wenig.",
    "The {name} was lost.": "Verloren: {name}.",
    "Given up: {reason}": "Aufgegeben: {reason}",
    "pull tester": "Zugprüfgerät",
    "Done.": "Fertig.",
    "Look at {first} and {last}, then go on.": "{last} und {first} ansehen, dann weiter.",
    "a text with { a brace": "ein Text mit { Klammer",
    " and ": " und ",
}


@pytest.fixture(autouse=True)
def _sayings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(translation, "catalogue", lambda code: {} if code == "en" else SAYINGS)


def plain(text: str) -> str:
    return "".join(part.text for part in parts_of(text, "de"))


@pytest.mark.parametrize(
    ("english", "told", "german"),
    [
        (say("Done."), "Done.", "Fertig."),
        ("Done.", "Done.", "Fertig."),
        (say("{force:.1f} N is too little.", force=12.46), "12.5 N is too little.", "12.5 N sind"),
        (say("The {name} was lost.", name=say("pull tester")), "The pull", "Verloren: Zugprüfg"),
        (join(map(say, ("Done.", "Done."))), "Done. Done.", "Fertig. Fertig."),
        (join(("A", "B"), say(" and ")), "A and B", "A und B"),
        (
            say("Look at {first} and {last}, then go on.", first="A", last="B"),
            "Look at A and B",
            "B und A",
        ),
        (say("Given up: {reason}", reason="{last} %"), "Given up: {last}", "Aufgegeben: {last} %"),
        (say("a text with { a brace"), "a text with {", "ein Text mit {"),
        ("", "", ""),
    ],
)  # fmt: skip
def test_a_text_is_english_and_known_by_its_form(english: str, told: str, german: str) -> None:
    assert english.startswith(told)
    assert plain(english).startswith(german)
    assert all(part.known for part in parts_of(english, "de"))
    assert "".join(part.text for part in parts_of(english, "en")) == english


def test_what_has_no_translation_stays_english_and_says_so() -> None:
    text = join([say("Done."), say("A <b>new</b> {name}.", name=say("pull tester")), say("Done.")])
    parts = parts_of(text, "de")
    assert parts == [
        Part("Fertig. "),
        Part("A <b>new</b> ", known=False),
        Part("Zugprüfgerät. Fertig."),
    ]
    assert marked(parts) == (
        'Fertig. <span lang="en">A &lt;b&gt;new&lt;/b&gt; </span>Zugprüfgerät. Fertig.'
    )


def test_words_of_a_person_are_of_no_known_language() -> None:
    assert parts_of(say("Given up: {reason}", reason="Kabel ab"), "de") == [
        Part("Aufgegeben: Kabel ab")
    ]
    # The same words in a hole are only words of the station where it says them.
    assert plain(say("Given up: {reason}", reason="Done.")) == "Aufgegeben: Done."
    assert parts_of(say("The {name} was lost.", name=say("hand pump")), "de")[1] == Part(
        "hand pump", known=False
    )


def test_numbers_are_the_same_in_every_language() -> None:
    assert parts_of("12.5 %", "de") == [Part("12.5 %")]


def test_an_error_keeps_its_text() -> None:
    error = PortMissing("The {name} was lost.", name=say("pull tester"))
    assert str(error) == "The pull tester was lost."
    assert plain(str(error)) == "Verloren: Zugprüfgerät."
    again = BadInput("Given up: {reason}", reason=str(error))
    assert plain(str(again)) == "Aufgegeben: Verloren: Zugprüfgerät."
    assert str(BadInput("no {hole}")) == "no {hole}"
    assert str(BadInput()) == ""


def test_a_copy_keeps_its_form_and_the_record_does_not() -> None:
    class Row(BaseModel):
        text: str

    text = say("The {name} was lost.", name=say("pull tester"))
    for again in (copy.deepcopy(text), pickle.loads(pickle.dumps(text)), say(text), str(text)):
        assert isinstance(again, Said)
        assert plain(again) == "Verloren: Zugprüfgerät."
    assert type(Row(text=text).text) is str
    assert orjson.dumps([text]) == json.dumps([text]).encode() == b'["The pull tester was lost."]'


ODD = st.text(alphabet="жλ中Ω<&>\"'%{}\u202e0123456789", min_size=1, max_size=12)


@given(first=ODD, last=ODD)
def test_no_hole_loses_its_text(first: str, last: str) -> None:
    text = say("Look at {first} and {last}, then go on.", first=first, last=last)
    assert plain(text) == f"{last} und {first} ansehen, dann weiter."


@given(text=st.text(max_size=300))
def test_any_text_can_be_said(text: str) -> None:
    assert plain(text) == SAYINGS.get(text, text)
    assert marked(parts_of(text, "de")).unescape() is not None


@given(words=st.lists(st.sampled_from(["Done.", "The", "is", ".", ",", "new"])))
def test_one_part_follows_another_of_the_other_kind(words: list[str]) -> None:
    parts = parts_of(join(map(say, words)), "de")
    assert all(a.known != b.known for a, b in itertools.pairwise(parts))
