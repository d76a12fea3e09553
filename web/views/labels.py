"""Labels to be printed and stuck on, and what a scan of one says."""

from flask import Blueprint, Response, jsonify, render_template, request

from calibration.saying import say
from station.errors import BadInput
from web.format import place
from web.labels import Label, labels, page_of, scanned
from web.request import reader
from web.translation import said_or_typed
from web.views.bench import in_hand

pages = Blueprint("labels", __name__, url_prefix="/labels")


@pages.get("")
def label_sheet() -> str:
    """A sheet of every label of the shop, or the label of one sample."""
    sample = request.args.get("sample", "")
    one = [scanned(reader(), Label("S", sample, "").code)] if sample else []
    found = {say("Sample"): one} if sample else labels(reader())
    return render_template("labels.html", groups=found)


@pages.get("/scan")
def scan() -> Response | tuple[Response, int]:
    """What a scanned label is, where it leads, and which answer of a page it gives."""
    try:
        label = scanned(reader(), request.args.get("code", ""))
    except BadInput as error:
        return jsonify(words=said_or_typed(str(error)), go="", kind="", value=""), 404
    words, go, state = say("Scanned: {what}.", what=label.words), page_of(label), in_hand()
    if label.kind in "NC" and state is not None and state.order is not None:
        joint, go = state.order.joint, ""
        here = state.order.step if label.kind == "C" else place(joint.tool, joint.nest)
        words = say("Wrong: {what} is not the one in hand.", what=label.words)
        if here == label.value:
            words = say("Right: {what} is in hand.", what=label.words)
    return jsonify(words=said_or_typed(words), go=go, kind=label.kind, value=label.value)
