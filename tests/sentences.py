"""Finds the forms of the station's sentences in its sources: ``python -m tests.sentences``.

Prints, for each language, the sentences that its catalogue does not know yet, in the form that
``web/languages/sentences/CODE.po`` wants, and puts that file in order. Nothing is translated here.
"""

import ast
import itertools
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from station.files import DATA
from web.languages import FOLDER
from web.sentences import HOLE, SENTENCES, speaker_of

ROOT = FOLDER.parent.parent
SOURCES = ("station", "calibration", "web")
DATA_FILES = ("causes.toml", "families.toml", "plans/certification.toml")
"""Facts whose sentences the page says."""

NEVER_SHOWN = ("cli", "demo", "simulated")
"""Parts of the station that say nothing on the page."""

QUOTED = re.compile(r'"([^"<>{}=]+)"')
"""A text that a template hands to a macro, which says it."""

SENTENCE = re.compile(r"[A-Z{].* .*[.?!]", re.DOTALL)
HEADER = '# What the station says.\nmsgid ""\nmsgstr ""\n"Language: {code}\\n"\n' + "".join(
    f'"{line}\\n"\n'
    for line in (
        "Plural-Forms: nplurals=2; plural=(n != 1);",
        "MIME-Version: 1.0",
        "Content-Type: text/plain; charset=utf-8",
        "Content-Transfer-Encoding: 8bit",
    )
)


def bare(text: str) -> str:
    """A form without the names of its holes."""
    return HOLE.sub("{}", text).strip()


def forms_in(source: str) -> Iterator[str]:
    """Every text of a program, its holes named after what fills them."""
    tree = ast.parse(source)
    within = {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.JoinedStr)
        for part in ast.walk(node)
        if part is not node
    }
    within |= {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if id(node) not in within:
            yield from map(_named_apart, _variants(node))


def _variants(node: ast.AST) -> Iterator[str]:
    """A text as it stands, or each of those that a condition in it chooses from."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        for pieces in itertools.product(*(list(_variants(part)) for part in node.values)):
            yield "".join(pieces)
    elif isinstance(node, ast.FormattedValue):
        choice = node.value
        if isinstance(choice, ast.IfExp):
            texts = [*_variants(choice.body), *_variants(choice.orelse)]
            if texts:
                yield from texts
                return
        names = [
            part.attr if isinstance(part, ast.Attribute) else part.id
            for part in ast.walk(choice)
            if isinstance(part, ast.Attribute | ast.Name)
        ]
        yield f"{{{names[0].lower() if names else 'value'}}}"


def _named_apart(text: str) -> str:
    """Two holes of one name get numbers."""
    seen: dict[str, int] = {}

    def name(hole: re.Match[str]) -> str:
        seen[hole[1]] = seen.get(hole[1], 0) + 1
        return f"{{{hole[1]}{seen[hole[1]] if seen[hole[1]] > 1 else ''}}}"

    return HOLE.sub(name, text).strip()


def in_sources() -> dict[str, str]:
    """All texts of the sources: without names of holes, and with them."""
    found: dict[str, str] = {}
    for folder in SOURCES:
        for path in sorted((ROOT / folder).rglob("*.py")):
            if not set(path.relative_to(ROOT).parts) & set(NEVER_SHOWN):
                for text in forms_in(path.read_text(encoding="utf-8")):
                    found.setdefault(bare(text), text)
    for path in sorted((ROOT / "web" / "templates").glob("*.html")):
        for text in QUOTED.findall(path.read_text(encoding="utf-8")):
            found.setdefault(text, text)
    for name in DATA_FILES:
        for text in _texts(tomllib.loads((DATA / name).read_text(encoding="utf-8"))):
            found.setdefault(text, text)
    return found


def _texts(data: object) -> Iterator[str]:
    """Every text in a file of facts."""
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict | list):
        for part in data.values() if isinstance(data, dict) else data:
            yield from _texts(part)


def catalogue_at(path: Path) -> Catalog:
    """One file of sentences."""
    with path.open("rb") as file:
        return read_po(file, locale=path.stem, abort_invalid=True)


def update(path: Path) -> None:
    """Put a file in order."""
    old, new = catalogue_at(path), Catalog(locale=path.stem)
    for message in old:
        if message.id:
            new.add(message.id, message.string)
    with path.open("wb") as file:
        file.write(HEADER.format(code=path.stem).encode("utf-8") + b"\n")
        write_po(file, new, width=100, sort_output=True, omit_header=True)


def main() -> None:
    """Run the command."""
    for path in sorted(SENTENCES.glob("*.po")):
        update(path)
        speaker = speaker_of(path.stem)
        for text in in_sources().values():
            if SENTENCE.fullmatch(text) and not all(part.known for part in speaker.parts(text)):
                print(f"{path.stem}: {text}")


if __name__ == "__main__":
    main()
