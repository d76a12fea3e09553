"""The station's own sentences in the reader's language."""

import itertools
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.sentences import bare, catalogue_at, in_sources
from tests.web.said import produced
from web.languages import FOLDER
from web.sentences import HOLE, SENTENCES, Part, Speaker, form_of, marked, speaker_of

FILES = sorted(SENTENCES.glob("*.po"))
SAYINGS = {
    "{force} N is too little.": "{force} N sind zu wenig.",
    "The {said_name} was lost.": "Verloren: {said_name}.",
    "Given up: {typed_reason}": "Aufgegeben: {typed_reason}",
    "The {name} is {state}.": "{state}: {name}.",
    "pull tester": "Zugprüfgerät",
    "Done.": "Fertig.",
    "Look at {first} and {last}, then go on.": "{last} und {first} ansehen, dann weiter.",
}


@pytest.fixture(scope="module")
def speaker() -> Speaker:
    return Speaker(SAYINGS)


def messages(path: Path) -> list[tuple[str, str]]:
    return [(str(found.id), str(found.string)) for found in catalogue_at(path) if found.id]


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("Done.", "Fertig."),
        ("12.5 N is too little.", "12.5 N sind zu wenig."),
        ("The pull tester was lost.", "Verloren: Zugprüfgerät."),
        ("Done. 3 N is too little.\nDone.", "Fertig. 3 N sind zu wenig.\nFertig."),
        ("Look at A and B, then go on.", "B und A ansehen, dann weiter."),
        ("Look at the {last} and %s, then go on.", "%s und the {last} ansehen, dann weiter."),
        ("", ""),
    ],
)
def test_a_sentence_is_known_by_its_form(speaker: Speaker, english: str, german: str) -> None:
    assert speaker.plain(english) == german
    assert all(part.known for part in speaker.parts(english))


def test_the_form_with_most_text_of_its_own_wins(speaker: Speaker) -> None:
    known = Speaker(SAYINGS | {"The {name} is worn out.": "Verschlissen: {name}."})
    assert speaker.plain("The nest is worn out.") == "worn out: nest."
    assert known.plain("The nest is worn out.") == "Verschlissen: nest."


def test_what_fits_no_form_stays_english_and_says_so(speaker: Speaker) -> None:
    parts = speaker.parts("Done. A <b>new</b> sentence. Done.")
    assert parts == (
        Part("Fertig. "),
        Part("A <b>new</b> sentence. ", known=False),
        Part("Fertig."),
    )
    assert marked(parts) == (
        'Fertig. <span lang="en">A &lt;b&gt;new&lt;/b&gt; sentence. </span>Fertig.'
    )


def test_words_of_a_person_are_of_no_known_language(speaker: Speaker) -> None:
    assert speaker.parts("Given up: Kabel ab") == (Part("Aufgegeben: Kabel ab"),)
    assert speaker.parts("Given up: Done.") == (Part("Aufgegeben: Fertig."),)
    # An unknown instrument is named by the station, in English.
    assert speaker.parts("The hand pump was lost.")[1] == Part("hand pump", known=False)


def test_english_is_said_as_it_is() -> None:
    assert speaker_of("en").parts("Done. <Anything>") == (Part("Done. <Anything>"),)
    assert speaker_of("en").parts("") == ()


def test_holes_that_touch_are_refused() -> None:
    with pytest.raises(ValueError, match="touch"):
        form_of("{one}{other}.", "{other}{one}")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_form_is_translated_with_the_same_holes(path: Path) -> None:
    found = messages(path)
    assert found
    assert {code.stem for code in FILES} == {code.stem for code in FOLDER.glob("*.po")}
    assert [english for english, said in found if not said.strip()] == []
    assert [
        english
        for english, said in found
        if sorted(set(HOLE.findall(english))) != sorted(set(HOLE.findall(said)))
    ] == []
    for english, said in found:
        form_of(english, said)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_form_is_really_said(path: Path) -> None:
    """A sentence that is worded anew must not leave an old form behind."""
    of_sources = set(in_sources())
    all_sources = "\n".join(of_sources)
    patterns = [re.compile(_pattern(form), re.DOTALL) for form in of_sources if "{}" in form]
    produced_here = "\n".join(produced())
    left = [
        english
        for english, _ in messages(path)
        if bare(english) not in all_sources
        and bare(english)[:1].lower() + bare(english)[1:] not in all_sources
        and not any(
            2 * _literal(pattern.pattern) >= len(bare(english)) and pattern.fullmatch(english)
            for pattern in patterns
        )
        and not re.search(_pattern(bare(english)), produced_here)
    ]
    assert left == [], "said no longer: correct or take out in web/languages/sentences"


def _pattern(form: str) -> str:
    return ".+".join(map(re.escape, form.split("{}")))


def _literal(pattern: str) -> int:
    return len(pattern.replace(".+", "").replace("\\", ""))


ODD = st.text(alphabet="жλ中Ω<&>\"'%\u202e0123456789", min_size=1, max_size=12)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
@given(data=st.data())
def test_no_hole_loses_its_text(path: Path, data: st.DataObject) -> None:
    english, _ = data.draw(st.sampled_from(messages(path)))
    filling = {name: data.draw(ODD) for name in sorted(set(HOLE.findall(english)))}
    text = HOLE.sub(lambda hole: filling[hole[1]], english)
    spoken = speaker_of(path.stem).plain(text)
    assert [odd for odd in filling.values() if odd not in spoken] == []


@given(text=st.text(max_size=300))
def test_any_text_can_be_said(text: str) -> None:
    speaker = speaker_of("de")
    assert "".join(part.text for part in speaker.parts(text)) == speaker.plain(text)
    assert marked(speaker.parts(text)).unescape() is not None


@given(words=st.lists(st.sampled_from(["Done.", "The", "is", "a and b", ".", ",", " "])))
def test_one_part_follows_another_of_the_other_kind(words: list[str]) -> None:
    parts = Speaker(SAYINGS).parts(" ".join(words))
    assert all(a.known != b.known for a, b in itertools.pairwise(parts))
