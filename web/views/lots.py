"""Lots of terminals and sleeves: which are in use, and what one that turned out bad went into."""

from flask import Blueprint, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.shop.lots import described_lot, known_lots, lots_in_use, recall
from web.access import demand_person
from web.forms import field
from web.request import bench, lead_to, reader

MOST_ROWS = 200
"""Samples of a lot that its page lists (our own choice); the list of samples has them all."""

pages = Blueprint("lots", __name__, url_prefix="/lots")


@pages.get("")
def lot_list() -> str:
    """What is in use, and the forms."""
    book = bench().connectors
    return render_template(
        "lots.html",
        in_use=lots_in_use(reader()).values(),
        titles={one.id: one.title for one in book.connectors.values()},
        known_lots=known_lots(reader()),
    )


@pages.post("")
def take_into_use() -> Response:
    """Say of which lots the terminals of a connector are from now on."""
    person = demand_person()
    bench().enter(described_lot(bench().connectors, request.form), person)
    return lead_to("lots.lot_list")


@pages.get("/recall")
def recall_page() -> str:
    """Everything that a lot went into."""
    lot = field(request.args, "lot", say("the lot"))
    return render_template("recall.html", found=recall(reader(), lot), most=MOST_ROWS)
