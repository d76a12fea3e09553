"""Papers of jobs: HTML files that need no other, from the templates in ``station/data/papers``.

Text from people is escaped by construction: the templates escape what is filled in.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import cache
from typing import Literal, TypedDict

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from station.crimp.units import NOTHING, milliohm, newton, quantity
from station.crimp.verdict import FROM_MEMORY
from station.jobs.papers.looks import LookRow
from station.jobs.plan import JobPlan
from station.ledger.chain import Head
from station.ledger.entries import CriterionResult
from station.ledger.rows import JobRecord, SampleRow

Paper = Literal["a4", "letter"]

PAPERS: dict[Paper, str] = {"a4": "A4", "letter": "letter"}


class Framing(TypedDict, total=False):
    """What a paper shows beside its job.

    ``marks`` must be said first: invented, simulated. ``photos`` are of the samples, each as an
    address that holds the picture.
    """

    marks: Sequence[str]
    photos: Sequence[tuple[SampleRow, str]]
    size: Paper


@cache
def templates() -> Environment:
    """The templates, and how they write what is measured."""
    found = Environment(
        loader=PackageLoader("station", "data/papers"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    found.filters.update(
        code=code, minute=minute, place=place, newton=newton, milliohm=milliohm, quantity=quantity
    )
    found.globals["nothing"] = NOTHING
    return found


def paper(
    template: str,
    title: str,
    outcome: str,
    record: JobRecord,
    plan: JobPlan,
    criteria: Iterable[CriterionResult],
    *,
    looks: Sequence[LookRow] = (),
    marks: Sequence[str] = (),
    photos: Sequence[tuple[SampleRow, str]] = (),
    size: Paper = "a4",
    rows: Sequence[SampleRow] = (),
    **shown: object,
) -> str:
    """Put a paper together.

    Parameters
    ----------
    outcome
        The one word or line that people look for.
    criteria
        What it rests on: each limit is named, and first of all where one is from memory.
    looks
        How often each look was answered, and how.
    marks
        What must be said first: invented, simulated.
    photos
        Of the samples, each as an address that holds the picture.
    rows
        The samples that it rests on.
    shown
        What the template names beside these.
    """
    judged = list(criteria)
    lots = Counter(lot for row in rows for lot in row.lots)
    from_memory = any(one.standing == "memory" for one in judged)
    return (
        templates()
        .get_template(f"{template}.html")
        .render(
            title=title,
            outcome=outcome,
            record=record,
            plan=plan,
            size=PAPERS[size],
            looks=looks,
            rows=rows,
            measured=[row for row in rows if (row.crimp_height_m or row.crimp_width_m) is not None],
            photos=photos,
            lots=[f"{what} {name} ({count})" for (what, name), count in lots.items()],
            marks=[*marks, *([FROM_MEMORY] if from_memory else [])],
            limits=[
                *dict.fromkeys(one.words for one in judged if one.set_id),
                *dict.fromkeys(one.how_pulled for one in judged if one.how_pulled),
            ],
            **shown,
        )
    )


def code(head: Head) -> Markup:
    """The whole head as a QR code, to be read where copying it by hand would tire."""
    # Only papers are drawn with it.
    import segno

    text = str(head).upper()
    return Markup(segno.make(text, error="m").svg_inline(title=text, omitsize=True))  # noqa: S704


def minute(at: datetime) -> str:
    """A time as people on the spot read it."""
    return f"{at.astimezone():%Y-%m-%d %H:%M}"


def place(value: float) -> str:
    """A place in a figure."""
    return f"{value:.1f}".rstrip("0").rstrip(".")
