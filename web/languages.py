"""The page in the language of who reads it: English in the sources, others as gettext files.

A language is one file, ``web/languages/CODE.po``, in the form that translators' programs read. What
it does not hold is shown in English. Names of standards, units and data are never translated.
"""

import functools
import io
from collections.abc import Callable
from pathlib import Path

from babel import Locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.support import NullTranslations, Translations
from flask import Flask, g, has_request_context, request

FOLDER = Path(__file__).parent / "languages"

ENGLISH = "en"

CHOICE = "language"
"""Under which name a browser remembers the language."""


@functools.cache
def languages() -> dict[str, str]:
    """Codes of all languages, and what each calls itself."""
    codes = [ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.po"))]
    return {code: str(Locale.parse(code).get_display_name() or code).capitalize() for code in codes}


@functools.cache
def catalogue(code: str) -> NullTranslations:
    """The texts of one language; English stands in for what is missing."""
    if code == ENGLISH:
        return NullTranslations()
    with (FOLDER / f"{code}.po").open("rb") as file:
        read = read_po(file, locale=code, abort_invalid=True)
    compiled = io.BytesIO()
    write_mo(compiled, read)
    compiled.seek(0)
    return Translations(compiled)


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


def translate(text: str) -> str:
    """One text in the language of this request."""
    return str(catalogue(chosen()).ugettext(text)) if text else text


def nest_words(tool: str, nest: str) -> str:
    """A nest of a tool, in the language of this request."""
    return translate("%(tool)s, nest %(nest)s") % {"tool": tool, "nest": nest}


def later(text: str) -> str:
    """Mark a text that is translated where it is shown."""
    return text


def teach(app: Flask) -> None:
    """Let an application's templates translate."""
    app.jinja_env.add_extension("jinja2.ext.i18n")
    # The extension names its functions; type checkers do not know them.
    install: Callable[..., None] = app.jinja_env.install_gettext_callables  # type: ignore[attr-defined]
    install(
        gettext=translate,
        ngettext=lambda one, many, n: str(catalogue(chosen()).ungettext(one, many, n)),
        newstyle=True,
    )
    app.jinja_env.globals.update(language=chosen, languages=languages)
