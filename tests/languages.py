"""Keeps the gettext files of the page up to date: ``python -m tests.languages``.

Adds to each file in ``web/languages`` what the sources have gained, takes out what they have lost,
and prints what is not translated yet. Nothing is translated by this program.
"""

import sys
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from station.bench.board import WHAT_TO_DO
from station.crimp.pull.reduce import FAILURE_MODES
from station.instruments.standstill import WORDS as STANDSTILL_WORDS
from web.format import JOB_WORDS, ROLE_WORDS, VERDICT_WORDS
from web.languages import FOLDER
from web.live import GUARD_WORDS
from web.preferences import FORCES, WIRES
from web.views.calibration import INSTRUMENT_WORDS

WEB = FOLDER.parent
HEADER = """\
# Texts of the station's page.
msgid ""
msgstr ""
"Language: {code}\\n"
"Plural-Forms: {plural}\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"

"""
METHODS = [("**.html", "jinja2"), ("**.py", "python")]
OPTIONS = {"**.html": {"trimmed": "true", "silent": "false", "newstyle_gettext": "true"}}

OF_TABLES = (
    WHAT_TO_DO, FAILURE_MODES, GUARD_WORDS, JOB_WORDS, ROLE_WORDS, VERDICT_WORDS,
    INSTRUMENT_WORDS, FORCES, WIRES, STANDSTILL_WORDS,
)  # fmt: skip
"""Tables whose texts the page translates where it shows them."""

OF_FRAME = (
    "Today",
    "Bench",
    "Jobs",
    "Samples",
    "Tools",
    "Limits",
    "Instruments",
    "People",
    "Unfinished",
)


def wanted() -> Catalog:
    """Every text that the page can show in another language."""
    found = Catalog()
    keywords = {"_": None, "gettext": None, "ngettext": (1, 2), "translate": None, "later": None}
    for file, _, text, _, _ in extract_from_dir(WEB, METHODS, OPTIONS, keywords=keywords):
        del file  # line numbers would change with every edit
        found.add(text)
    for text in (*OF_FRAME, *(text for table in OF_TABLES for text in table.values())):
        found.add(text)
    return found


def read(path: Path) -> Catalog:
    """One gettext file."""
    with path.open("rb") as file:
        return read_po(file, locale=path.stem, abort_invalid=True)


def update(path: Path) -> list[str]:
    """Bring one file up to date; return the texts that it does not translate."""
    old, new = read(path), Catalog(locale=path.stem)
    for message in wanted():
        if message.id:
            before = old.get(message.id)
            new.add(message.id, before.string if before is not None else None)
    # Babel's own header tells dates and addresses; equal texts shall make equal files.
    header = HEADER.format(code=path.stem, plural=new.plural_forms)
    with path.open("wb") as file:
        file.write(header.encode("utf-8"))
        write_po(file, new, width=100, sort_output=True, omit_header=True)
    return [str(message.id) for message in new if message.id and not message.string]


def main() -> int:
    """Run the command; 1 where texts are missing."""
    missing = {path.stem: update(path) for path in sorted(FOLDER.glob("*.po"))}
    for code, texts in missing.items():
        for text in texts:
            print(f"{code}: {text}")
    return 1 if any(missing.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
