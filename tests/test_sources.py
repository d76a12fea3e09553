"""Whatever is compared with a published value says where it stands and how well that is known.

The tags, and what they mean: tests/published/README.md.
"""

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PUBLISHED = ROOT / "tests" / "published"
TABLES = (PUBLISHED / "README.md").read_text(encoding="utf-8")

TAG = re.compile(r"(?<!\w)\[(seen-[1-9]\d*|[a-z]+(?: [a-z]+)*(?:,\s+[a-z]+ [a-z]+)?)\]")
"""What stands in square brackets in a comment or docstring, if it is words or ``seen-n``."""

OTHER_SPELLING = re.compile(
    r"\b(SEEN(-\d)?|CALC|MEM-[HML])\b|\(seen(?: in .*?)?\)|; seen\)|\bseen (once|twice)\b"
    r"|\bseen in \w+ (texts|places|pages|tables)\b"
)
PUBLICATION = re.compile(
    r"\b(ABYC E-11|AIAG MSA|ASTM [BE]\d+|Champ & Woodall|IEC \d{5}|IEEE 488|ISO \d{4,}|JCGM 10\d"
    r"|JEM-TR|Lucas & \w+|MIL-T-7928|Montgomery & Runger|NASA-STD|NBS|NIST|OWASP|QC/T 29106"
    r"|RFC (?!5737)\d+|SAE J\d+|SCPI-1999|UL 486|WCAG 2)"
)


def remarks(text: str) -> Iterator[str]:
    """Comments, those of lines in a row as one, and every bare string: docstrings and the like."""
    last, block = 0, ""
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type != tokenize.COMMENT:
            continue
        if token.start[0] != last + 1 and block:
            yield block
            block = ""
        last, block = token.start[0], f"{block} {token.string.lstrip('# ')}".strip()
    if block:
        yield block
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield " ".join(str(node.value.value).split())


def remarks_of(*packages: str) -> list[tuple[str, str]]:
    """File and remark, from the files that hold any word of interest."""
    found = []
    for path in sorted(path for package in packages for path in (ROOT / package).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if path != Path(__file__) and any(
            words.search(text) for words in (TAG, OTHER_SPELLING, PUBLICATION)
        ):
            found += [(path.relative_to(ROOT).as_posix(), remark) for remark in remarks(text)]
    return found


def test_every_tag_is_in_the_table_and_has_one_spelling() -> None:
    meanings = set(re.findall(r"^\| `\[(.+?)\]` \|", TABLES, re.MULTILINE))
    everywhere = remarks_of("tests", "station", "web", "calibration")
    tags = {tag for _, remark in everywhere for tag in TAG.findall(remark)}
    used = {re.sub(r"^seen-\d+$", "seen-n", tag) for tag in tags}
    assert used <= meanings
    assert {"seen-n", "calc", "memory"} <= used
    assert [found for found in everywhere if OTHER_SPELLING.search(found[1])] == []


def test_who_names_a_publication_says_how_well_it_is_known() -> None:
    bare = [
        (file, remark)
        for file, remark in remarks_of("tests")
        if PUBLICATION.search(remark) and not TAG.search(remark)
    ]
    assert bare == []


@pytest.mark.parametrize("file", sorted(PUBLISHED.glob("*.csv")), ids=lambda file: file.name)
def test_every_published_file_has_a_source_with_its_standing(file: Path) -> None:
    (line,) = re.findall(rf"^\| `{re.escape(file.name)}` \|(.+)$", TABLES, re.MULTILINE)
    what, source = line.strip(" |").split(" | ")
    assert what
    assert TAG.search(source)


def test_nothing_is_said_of_a_file_that_is_not_there() -> None:
    named = re.findall(r"^\| `(\w+\.csv)` \|", TABLES, re.MULTILINE)
    assert sorted(named) == sorted(path.name for path in PUBLISHED.glob("*.csv"))
