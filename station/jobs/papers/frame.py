"""The frame of every paper: one HTML file that needs no other and prints on A4 or Letter.

Text from people is escaped by construction: everything is put together with :class:`Markup`, which
escapes what is formatted into it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from station.crimp.units import NOTHING
from station.jobs.plan import JobPlan
from station.ledger.rows import JobRecord

Paper = Literal["a4", "letter"]

PAPERS: dict[Paper, str] = {"a4": "A4", "letter": "letter"}

CAUTION = (
    "Limits are guidance: the standard's edition in force, local codes and licensed practice "
    "decide. A pulled sample is scrap and is never installed. No statement here covers airbag or "
    "other pyrotechnic circuits. The station is not a safety function."
)

_STYLE = Markup(
    "@page{size:%s;margin:14mm}"
    "*{box-sizing:border-box}"
    "body{font:10.5pt/1.4 system-ui,sans-serif;color:#1a2325;background:#fff;"
    "max-width:182mm;margin:0 auto;padding:4mm}"
    "h1{font-size:17pt;margin:0 0 1mm}h2{font-size:12.5pt;margin:6mm 0 1.5mm;break-after:avoid}"
    "p{margin:1.2mm 0}ul{margin:1mm 0;padding-left:5mm}"
    "table{border-collapse:collapse;width:100%%;break-inside:avoid;margin:1.5mm 0}"
    "th,td{text-align:left;padding:.8mm 2mm;border-bottom:.2mm solid #c9cdc6;vertical-align:top}"
    "th{color:#56625f;font-size:9pt}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}"
    ".outcome{font-size:14pt;font-weight:700;border:.6mm solid #1a2325;padding:2mm 4mm;"
    "display:inline-block;margin:2mm 0}"
    ".mark{border:.5mm dashed #a8261b;padding:1.5mm 3mm;font-weight:700}"
    ".small{font-size:8.5pt;color:#56625f;overflow-wrap:anywhere}"
    ".lines{display:flex;gap:12mm;margin-top:14mm;break-inside:avoid}"
    ".lines p{flex:1;border-top:.3mm solid #1a2325;padding-top:1mm}"
    "section{break-inside:auto}svg{width:100%%;height:auto;break-inside:avoid}"
)


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a paper with its heading."""

    title: str
    body: Markup


def paper(
    title: str,
    outcome: str,
    facts: Iterable[tuple[str, str]],
    sections: Iterable[Section],
    *,
    marks: Iterable[str] = (),
    signatures: Iterable[str] = (),
    record_hash: str | None = None,
    size: Paper = "a4",
) -> str:
    """Put a paper together.

    Parameters
    ----------
    outcome
        The one word or line that people look for.
    facts
        Names and values at the top.
    marks
        What must be said first: invented, simulated, from memory.
    signatures
        Who signed, in words, one line each; there is room for ink above each.
    record_hash
        By which the paper is looked up.
    """
    parts = [
        *(Markup('<p class="mark">{}</p>').format(mark) for mark in marks),
        Markup("<h1>{}</h1>").format(title),
        Markup('<p class="outcome">{}</p>').format(outcome),
        table(("", ""), facts, numbers=0, head=False),
        *(
            Markup("<section><h2>{}</h2>{}</section>").format(part.title, part.body)
            for part in sections
        ),
    ]
    if lines := list(signatures):
        parts.append(
            Markup('<div class="lines">{}</div>').format(
                joined(Markup("<p>{}</p>").format(line) for line in lines)
            )
        )
    if record_hash is not None:
        parts.append(
            Markup(
                '<p class="small">Record {}. Compare it on the bench: Certifications under Jobs on '
                "the page; station ledger verify.</p>"
            ).format(record_hash)
        )
    parts.append(Markup('<p class="small">{}</p>').format(CAUTION))
    return str(
        Markup(
            '<!doctype html><html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width"><title>{}</title>'
            "<style>{}</style></head><body>{}</body></html>\n"
        ).format(title, _STYLE % PAPERS[size], joined(parts))
    )


def job_facts(record: JobRecord, plan: JobPlan, *more: tuple[str, str]) -> list[tuple[str, str]]:
    """What the top of every job's paper says: when, by whom, by which plan."""
    begun = f"{record.row.at_utc.astimezone():%Y-%m-%d %H:%M} by {record.row.person}"
    ended = NOTHING
    if record.ended_at_utc is not None:
        ended = f"{record.ended_at_utc.astimezone():%Y-%m-%d %H:%M} by {record.ended_by}"
    return [
        ("Begun", begun),
        ("Ended", ended),
        *more,
        ("Plan", f"{plan.id}: {plan.title} ({plan.standing})"),
        ("Job", record.row.job_id),
    ]


def joined(parts: Iterable[Markup]) -> Markup:
    """Parts one after the other."""
    return Markup("\n").join(parts)


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, numbers: int, head: bool = True
) -> Markup:
    """A table whose last ``numbers`` columns are numbers."""
    first = len(heads) - numbers

    def cells(row: Sequence[str], tag: str) -> Markup:
        return joined(
            Markup("<{} class={}>{}</{}>").format(tag, "n" if place >= first else "t", cell, tag)
            for place, cell in enumerate(row)
        )

    top = Markup("<thead><tr>{}</tr></thead>").format(cells(heads, "th")) if head else Markup("")
    body = joined(Markup("<tr>{}</tr>").format(cells(row, "td")) for row in rows)
    return Markup("<table>{}<tbody>{}</tbody></table>").format(top, body)


def sentences(lines: Iterable[str]) -> Markup:
    """A list of sentences."""
    return Markup("<ul>{}</ul>").format(
        joined(Markup("<li>{}</li>").format(line) for line in lines)
    )
