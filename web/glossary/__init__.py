"""What the words on the page mean, and what each page is for: text in one file per language."""

from functools import cache
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from station.crimp.in_force import Facts
from station.files import read_toml
from web.translation import ENGLISH, chosen

Identifier = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]

FOLDER = Path(__file__).parent


class Term(Facts):
    """A word, in plain language."""

    id: Identifier
    term: str
    text: str
    see: tuple[str, ...] = ()
    """Other words that help to understand it."""


class Group(Facts):
    """Words that belong together."""

    title: str
    terms: Annotated[tuple[Term, ...], Field(min_length=1)]


class Help(Facts):
    """What one page is for."""

    text: str
    words: tuple[str, ...] = ()
    """Words that the page uses and that may be new."""


class Words(Facts):
    """All words and helps of one language."""

    language: str
    title: str
    lead: str
    help_title: str
    see_title: str
    all_title: str
    connectors_title: str
    help: dict[str, Help]
    """By the name of the page inside the application."""
    groups: tuple[Group, ...]

    @property
    def terms(self) -> dict[str, Term]:
        """All words by their identifiers."""
        return {term.id: term for group in self.groups for term in group.terms}

    @model_validator(mode="after")
    def _words_exist(self) -> "Words":
        named = [term.id for group in self.groups for term in group.terms]
        if twice := {name for name in named if named.count(name) > 1}:
            raise ValueError(f"these words come twice: {', '.join(sorted(twice))}")
        led_to = {name for term in self.terms.values() for name in term.see}
        led_to |= {name for page in self.help.values() for name in page.words}
        if unknown := led_to - set(named):
            raise ValueError(f"there are no such words: {', '.join(sorted(unknown))}")
        return self


@cache
def words_of(language: str) -> Words:
    """Read the words of a language, once; English stands in for one that has no file.

    Raises
    ------
    DataFileError
        The file does not fit, or leads to a word that it does not have.
    """
    path = FOLDER / f"{language}.toml"
    return read_toml(path if path.exists() else FOLDER / f"{ENGLISH}.toml", Words)


def words() -> Words:
    """The words in the language of this request."""
    return words_of(chosen())


def help_of(endpoint: str | None) -> Help | None:
    """What a page is for; None where nobody wrote it down."""
    return words().help.get(endpoint or "")
