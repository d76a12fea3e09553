"""Lessons: the shop's own bad crimps beside good ones."""

from flask import Blueprint, render_template, request

from station.crimp.facts import shipped_causes
from station.ledger.photos import photos_of
from station.shop.lessons import IN_A_ROW, good_beside, lessons, took
from web.request import bench, reader

SHOWN = 3
"""Lessons on a page: three screens of the bench."""

pages = Blueprint("lessons", __name__)


@pages.get("/lessons")
def lesson_page() -> str:
    """The latest lessons of a fault and a family."""
    fault, family = request.args.get("fault") or None, request.args.get("family") or None
    every = lessons(reader(), bench().connectors, shipped_causes(), family)
    found = [one for one in every if fault is None or fault in one.faults]
    begin = min(max(request.args.get("begin", 0, type=int), 0), len(found))
    shown = [(one, good_beside(reader(), one.bad)) for one in found[begin : begin + SHOWN]]
    rows = [row for one, good in shown for row in (one.bad, good) if row is not None]
    photos = photos_of(reader(), [row.sample_id for row in rows])
    return render_template(
        "lessons.html",
        shown=shown,
        written=reader().finished_payloads(rows),
        photos={one.sample_id: one for one in photos if not one.dropped},
        faults={name: words for one in every for name, words in one.faults.items()},
        families=bench().connectors.families,
        kept={"fault": fault, "family": family},
        took=took(reader(), found) if fault else [],
        in_a_row=IN_A_ROW,
        next_begin=begin + SHOWN if len(found) > begin + SHOWN else None,
    )
