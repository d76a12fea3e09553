"""Labels to be scanned: what each says, and what a scan of it means.

A code is our prefix, a letter for its kind, and what a keyboard of any common layout types alike:
letters and digits. What people name freely stands in it as the beginning of its SHA-256.
"""

import hashlib
from dataclasses import dataclass

from flask import url_for
from markupsafe import Markup

from calibration.saying import say
from station.crimp.pull.reduce import FAILURE_MODES
from station.errors import BadInput
from station.ledger.reader import LedgerReader
from station.shop.lots import known_lots
from web.format import local_time, place, wires

PREFIX = "CRIMP."
CODE_LENGTH = 12
"""48 bits: among ten thousand labels two alike are a chance of 2 in ten million."""


@dataclass(frozen=True, slots=True)
class Label:
    """One label: its kind's letter, the value that it stands for, and words to be read."""

    kind: str
    value: str
    words: str

    @property
    def code(self) -> str:
        """What a scanner types of it."""
        if self.kind in "SC":
            return PREFIX + self.kind + self.value.replace("-", "").upper()
        digest = hashlib.sha256(f"{self.kind} {self.value}".encode()).hexdigest()
        return PREFIX + self.kind + digest[:CODE_LENGTH].upper()

    @property
    def square(self) -> Markup:
        """The code as a QR code."""
        import segno  # only where labels are drawn

        drawn = segno.make(self.code, error="m", micro=False)
        return Markup(drawn.svg_inline(title=self.code, omitsize=True))  # noqa: S704


def labels(reader: LedgerReader) -> dict[str, list[Label]]:
    """Every label of the shop by what it is of, what is answered at the bench first."""
    nests = [(row.tool, nest) for row in reader.tools() for nest in row.nests]
    answers = {"go": say("Go on: all as it should be")} | FAILURE_MODES
    return {
        say("At the bench"): [Label("A", *answer) for answer in answers.items()],
        say("People"): [Label("P", row.name, row.name) for row in reader.people()],
        say("Tools and nests"): [
            Label("N", place(*key), say("{tool}, nest {nest}", tool=key[0], nest=key[1]))
            for key in nests
        ],
        say("Lots"): [Label("L", lot, lot) for lot in known_lots(reader)],
    }


def scanned(reader: LedgerReader, code: str) -> Label:
    """What was scanned (BadInput where it is no label of this shop)."""
    code = code.upper()
    kind, value = code.removeprefix(PREFIX)[:1], code.removeprefix(PREFIX)[1:]
    if kind == "C" and value.isalnum():
        return Label(kind, value, say("coded sample {code}", code=value))
    if kind == "S" and len(value) == 32 and value.isalnum():
        dashed = "-".join((value[:8], value[8:12], value[12:16], value[16:20], value[20:]))
        if (row := reader.sample(dashed.lower())) is not None:
            words = say(
                "sample of {tool}, nest {nest}: {made_of}; {at}",
                tool=row.tool, nest=row.nest, made_of=wires(row.wires), at=local_time(row.at_utc),
            )  # fmt: skip
            return Label(kind, row.sample_id, words)
    for label in (one for group in labels(reader).values() for one in group):
        if label.code == code:
            return label
    raise BadInput("This label is none of this shop's, or of something taken off the record.")


def page_of(label: Label) -> str:
    """Where a scan of it leads; empty for what answers a question of the page at hand."""
    leads: dict[str, tuple[str, dict[str, str]]] = {
        "N": ("sitting.who", {"then": "sitting.check", "place": label.value}),
        "L": ("lots.recall_page", {"lot": label.value}),
        "S": ("samples.sample_page", {"sample_id": label.value}),
        "C": ("certifications.coded_sample", {"code": label.value}),
    }
    where, values = leads.get(label.kind, ("", {}))
    return url_for(where, **values) if where else ""  # type: ignore[arg-type]
