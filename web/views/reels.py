"""Reels of wire: what each has per metre, measured at the bench, and how warm it is there."""

from flask import Blueprint, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.bench.temperature import BENCH_C
from station.errors import BadInput
from station.ledger.entries import BenchTemperature, ReelOut
from station.shop.reels import described_reel, in_use, reels
from web.access import demand_person
from web.forms import field, needed_number
from web.request import bench, lead_to, reader

LENGTHS_MM = (20.0, 20_000.0)
"""What is measured of a reel (our own choice)."""

pages = Blueprint("reels", __name__, url_prefix="/reels")


@pages.get("")
def reel_list() -> str:
    """Every reel on record, and the forms."""
    return render_template(
        "reels.html",
        reels=list(reels(reader()).values()),
        temperature=temperature_words(),
        fixture=bench().settings.fixture,
    )


@pages.post("")
def add() -> Response:
    """Put a reel on record."""
    person = demand_person()
    bench().enter(described_reel(reader(), request.form), person)
    return lead_to("reels.reel_list")


@pages.post("/measure")
def measure() -> Response:
    """Let the bench read a length of a reel's unbroken wire."""
    person, reel = demand_person(), field(request.form, "reel", say("the reel"))
    length_mm = needed_number(request.form, "length_mm", say("the length"))
    u_mm = needed_number(request.form, "u_mm", say("how well the length is known"))
    if not (LENGTHS_MM[0] <= length_mm <= LENGTHS_MM[1] and 0.0 <= u_mm <= 0.1 * length_mm):
        raise BadInput("Measure 20 mm to 20 m of wire, and know the length to a tenth of it.")
    length = 1e-3 * length_mm, 1e-3 * u_mm
    made = bench().wire.measure(reel, length, in_fixture="in_fixture" in request.form)
    bench().enter(made, person)
    return lead_to("reels.reel_list")


@pages.post("/out")
def take_out() -> Response:
    """Take a reel out of use."""
    person, reel = demand_person(), in_use(reader(), field(request.form, "reel", say("the reel")))
    reason = field(request.form, "reason", say("the reason"))
    bench().enter(ReelOut(reel=reel.name, reason=reason), person)
    return lead_to("reels.reel_list")


@pages.post("/temperature")
def temperature() -> Response:
    """Enter how warm it is at the bench today."""
    person = demand_person()
    celsius = needed_number(request.form, "temperature_c", say("the temperature"))
    u_k = needed_number(request.form, "u_k", say("how well it is known"))
    if not (BENCH_C[0] <= celsius <= BENCH_C[1] and 0.0 <= u_k <= 20.0):
        raise BadInput("No bench is like that: give the temperature in °C, and its u in K.")
    bench().enter(BenchTemperature(temperature_c=celsius, u_temperature_k=u_k), person)
    return lead_to("reels.reel_list")


def temperature_words() -> str:
    """What the bench takes for the temperature of the wire."""
    if bench().settings.fixture.temperature_file is not None:
        return say("Temperature: from its sensor, with every sample.")
    known = bench().wire.temperature()
    if known.celsius is None:
        return say("Temperature: not known, 20 °C taken.")
    return say(
        "Temperature: {celsius:g} °C ({source}).", celsius=known.celsius, source=say(known.source)
    )
