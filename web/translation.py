"""What the station says and the page shows, in the language of who reads it.

A language is one gettext file, ``web/languages/CODE.po``, in which texts are looked up by their
form. What it does not hold is shown in English, and what the station says is then marked as
English, so that a screen reader speaks it rightly. Names of standards, units and data, and what
people type, are never translated.
"""

import functools
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from pathlib import Path
from string import Formatter
from typing import NamedTuple

from babel import Locale
from babel.messages.pofile import read_po
from flask import Flask, g, has_request_context, request
from markupsafe import Markup, escape

from calibration.saying import Said

FOLDER = Path(__file__).parent / "languages"

ENGLISH = "en"

CHOICE = "language"
"""Under which name a browser remembers the language."""


FORMATTER = Formatter()

_Piece = tuple[str, str | None, str | None, str | None]


class Part(NamedTuple):
    """A stretch of a text; ``known`` unless it is left in English."""

    text: str
    known: bool = True


@functools.cache
def languages() -> dict[str, str]:
    """Codes of all languages, and what each calls itself."""
    codes = [ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.po"))]
    return {code: str(Locale.parse(code).get_display_name() or code).capitalize() for code in codes}


@functools.cache
def catalogue(code: str) -> dict[str, str]:
    """The texts of one language by their English forms."""
    if code == ENGLISH:
        return {}
    with (FOLDER / f"{code}.po").open("rb") as file:
        read = read_po(file, locale=code, abort_invalid=True)
    return {str(found.id): str(found.string) for found in read if found.id and found.string}


def chosen() -> str:
    """The language of this request: what was chosen, else what the browser asks for."""
    if not has_request_context():
        return ENGLISH
    if "language" not in g:
        asked = request.cookies.get(CHOICE, "")
        known = list(languages())
        best = request.accept_languages.best_match(known, ENGLISH)
        g.language = asked if asked in known else best
    return str(g.language)


def parts_of(text: str, code: str) -> list[Part]:
    """A text as it is said in a language: parts that are known, and parts that stay as they are."""
    if code == ENGLISH:
        return [Part(str.__str__(text))] if text else []
    alike = groupby(_parts(text, code), key=lambda part: part.known)
    return [Part("".join(part.text for part in group), known) for known, group in alike]


def _parts(text: str, code: str) -> Iterator[Part]:
    form, values = (text.form, text.values) if isinstance(text, Said) else (str(text), {})
    translation = catalogue(code).get(form)
    form = translation or form
    # Braces are holes only where there are values.
    pieces: Iterable[_Piece] = FORMATTER.parse(form) if values else [(form, None, None, None)]
    for literal, name, spec, conversion in pieces:
        if literal:
            # What has no letters is the same in every language.
            yield Part(literal, translation is not None or not any(map(str.isalpha, literal)))
        if name is not None:
            yield from _value_parts(values[name], spec or "", conversion, code)


def _value_parts(value: object, spec: str, conversion: str | None, code: str) -> Iterator[Part]:
    if isinstance(value, Said) and not spec and not conversion:
        yield from _parts(value, code)
    elif text := FORMATTER.format_field(FORMATTER.convert_field(value, conversion), spec):
        yield Part(text)


def marked(parts: Iterable[Part]) -> Markup:
    """Parts as they stand in a page."""
    return Markup("").join(
        escape(part.text) if part.known else Markup('<span lang="en">{}</span>').format(part.text)
        for part in parts
    )


def said(text: str | None) -> Markup:
    """What the station says, as it stands in a page."""
    return marked(parts_of(text or "", chosen()))


def said_or_typed(text: str | None) -> str:
    """What the station says or a person typed: nobody knows in which language."""
    return "".join(part.text for part in parts_of(text or "", chosen()))


def translate(text: str) -> str:
    """One text in the language of this request."""
    return catalogue(chosen()).get(text, text)


def teach(app: Flask) -> None:
    """Let an application's templates translate."""
    app.jinja_env.add_extension("jinja2.ext.i18n")
    # The extension names its functions; type checkers do not know them.
    install: Callable[..., None] = app.jinja_env.install_gettext_callables  # type: ignore[attr-defined]
    install(
        gettext=translate,
        ngettext=lambda one, many, n: translate(one if n == 1 else many),
        newstyle=True,
    )
    app.jinja_env.globals.update(language=chosen, languages=languages)
