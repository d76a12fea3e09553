"""What the station says, in the language of who reads it.

The station's core speaks English and knows of no language, and much of what it says stands in the
record for good. Here, at the edge, its sentences are known by their form: ``{force} N is too
little.`` is a text with named holes, and a sentence that fits it is shown in the translation of the
form, with what stood in the holes. What fits no form stays English and is marked as English, so
that a screen reader speaks it rightly.

A hole whose name begins with ``said_`` holds words of the station, which are translated in turn;
in one that begins with ``typed_`` they may also be a person's own, which are in no known language.
Forms are one file a language, ``web/languages/sentences/CODE.po``.
"""

import functools
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from babel.messages.pofile import read_po
from markupsafe import Markup, escape

from web.languages import ENGLISH, FOLDER, chosen

SENTENCES = FOLDER / "sentences"

HOLE = re.compile(r"\{(\w+)\}")

SAID = "said_"
TYPED = "typed_"

BETWEEN_SENTENCES = re.compile(r"(?<=[.!?]) +|\n+")
MOST_SENTENCES = 5
"""So many sentences may make one form."""

WORD = re.compile(r"[^\W\d_]{2}")
"""What has none is a number, the same in every language."""

LONGEST = 4000
"""A longer text is nothing that the station says."""

DEEPEST = 4
"""So often words may stand within words."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of a text; ``known`` unless it is left in English."""

    text: str
    known: bool = True


@dataclass(frozen=True, slots=True)
class Form:
    """An English text with named holes, and its translation."""

    pattern: re.Pattern[str]
    literal: int
    """So many of its characters are not holes."""
    translation: tuple[str, ...]
    """Text and names of holes in turn."""


Said = tuple[int, list[Part]]
"""How much of a text is known, and how the text is said."""


def form_of(english: str, translation: str) -> Form:
    """Make a form.

    Raises
    ------
    ValueError
        Two holes touch, so that nobody could tell where one ends.
    """
    pieces = HOLE.split(english)
    literals, names = pieces[::2], pieces[1::2]
    if not all(literals[1:-1]):
        raise ValueError(f"two holes of {english!r} touch")
    # A hole ends where the text after it first comes: nothing is tried twice, however odd a text.
    inner = "".join(
        f"(?>(?P<{name}>.+?){re.escape(after)})"
        for name, after in zip(names[:-1], literals[1:-1], strict=True)
    )
    last = f"(?P<{names[-1]}>.+){re.escape(literals[-1])}" if names else ""
    pattern = re.compile(re.escape(literals[0]) + inner + last, re.DOTALL)
    return Form(pattern, sum(map(len, literals)), tuple(HOLE.split(translation)))


class Speaker:
    """Puts what the station says into one language.

    Parameters
    ----------
    translations
        Of each English text, with or without holes.
    """

    def __init__(self, translations: Mapping[str, str]) -> None:
        self._whole = {text: said for text, said in translations.items() if not HOLE.search(text)}
        self._forms = sorted(
            (form_of(text, said) for text, said in translations.items() if HOLE.search(text)),
            key=lambda form: -form.literal,
        )
        self.parts = functools.lru_cache(maxsize=4096)(self._parts)

    def _parts(self, text: str) -> tuple[Part, ...]:
        """A text as it is said: parts that are known, and parts that stay as they are."""
        return _joined(self._said(text, 0)[1])

    def plain(self, text: str) -> str:
        """A text as it is said, where nothing can be marked."""
        return "".join(part.text for part in self.parts(text))

    def _said(self, text: str, depth: int) -> Said:
        """Cut a text so that most of it fits some form."""
        if len(text) > LONGEST or depth > DEEPEST or not WORD.search(text):
            return 0, [Part(text, known=not WORD.search(text))]
        gaps = [(0, 0), *(gap.span() for gap in BETWEEN_SENTENCES.finditer(text))]
        gaps.append((len(text), len(text)))
        # From the end: what is best said of all that follows each gap.
        best: list[Said] = [(0, [])] * len(gaps)
        for first in range(len(gaps) - 2, -1, -1):
            start = gaps[first][1]
            for after in range(first + 1, min(first + MOST_SENTENCES, len(gaps) - 1) + 1):
                stretch = text[start : gaps[after][0]]
                known, parts = self._fit(stretch, depth) or (0, [Part(stretch, known=False)])
                known += best[after][0]
                if after == first + 1 or known > best[first][0]:
                    gap = Part(text[slice(*gaps[after])])
                    best[first] = known, [*parts, gap, *best[after][1]]
        return best[0]

    def _said_within(self, text: str, depth: int) -> Said:
        """As a text that may have lost its full stop to the sentence that it stands in."""
        without = self._said(text, depth)
        known, parts = self._said(f"{text}.", depth)
        if known <= without[0]:
            return without
        last = max(place for place, part in enumerate(parts) if part.text)
        parts[last] = Part(parts[last].text.removesuffix("."), parts[last].known)
        return known - 1, parts

    def _fit(self, text: str, depth: int) -> Said | None:
        """The form with most text of its own that a text fits."""
        if text in self._whole:
            return len(text), [Part(self._whole[text])]
        for form in self._forms:
            fit = form.pattern.fullmatch(text)
            if fit is not None:
                return self._filled(form, fit.groupdict(), depth)
        return None

    def _filled(self, form: Form, holes: Mapping[str, str], depth: int) -> Said:
        known, parts = form.literal, []
        for place, piece in enumerate(form.translation):
            if place % 2 == 0:
                parts.append(Part(piece))
            elif piece.startswith((SAID, TYPED)):
                within, said = self._said_within(holes[piece], depth + 1)
                known += within
                own = piece.startswith(TYPED)
                parts += [Part(part.text, part.known or own) for part in said]
            else:
                parts.append(Part(holes[piece]))
        return known, parts


def _joined(parts: Iterable[Part]) -> tuple[Part, ...]:
    """The same text in as few parts as can be."""
    joined: list[Part] = []
    for part in parts:
        # White space is of no language.
        if joined and (joined[-1].known == part.known or not part.text.strip()):
            joined[-1] = Part(joined[-1].text + part.text, joined[-1].known)
        elif part.text:
            joined.append(part)
    return tuple(joined)


class EnglishSpeaker(Speaker):
    """Says everything as it is."""

    def __init__(self) -> None:
        super().__init__({})

    def _parts(self, text: str) -> tuple[Part, ...]:
        return (Part(text),) if text else ()


def translations(code: str) -> dict[str, str]:
    """What is translated into one language: the station's sentences, and words of the page."""
    found: dict[str, str] = {}
    for path in (FOLDER / f"{code}.po", SENTENCES / f"{code}.po"):
        if not path.exists():
            continue
        with path.open("rb") as file:
            for message in read_po(file, locale=code, abort_invalid=True):
                if isinstance(message.id, str) and message.id and message.string:
                    found[message.id] = str(message.string)
    # The page's own texts with holes are filled where they are written.
    return {text: said for text, said in found.items() if "%(" not in text}


@functools.cache
def speaker_of(code: str) -> Speaker:
    """Who says it in one language."""
    return EnglishSpeaker() if code == ENGLISH else Speaker(translations(code))


def speaker() -> Speaker:
    """Who says it in the language of this request, and after it."""
    return speaker_of(chosen())


def marked(parts: Iterable[Part]) -> Markup:
    """Parts as they stand in a page."""
    return Markup("").join(
        escape(part.text) if part.known else Markup('<span lang="en">{}</span>').format(part.text)
        for part in parts
    )


def said(text: str | None) -> Markup:
    """What the station says, as it stands in a page."""
    return marked(speaker().parts(text or ""))


def said_or_typed(text: str | None) -> str:
    """What the station says or a person typed: nobody knows in which language."""
    return speaker().plain(text or "")
