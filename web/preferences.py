"""What a reader chose: language, units, sound; kept by the browser and, who signs in, on record."""

from collections.abc import Mapping

from flask import Flask, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.errors import BadInput
from station.ledger.entries import PersonPrefers
from station.ledger.reader import LedgerReader
from web.format import Units, units
from web.translation import CHOICE, languages

A_YEAR_S = 365 * 24 * 3600

FORCES = {"N": say("N first"), "lbf": say("lbf first")}
WIRES = {"named": say("wire by name"), "area": say("wire with mm²")}
SOUNDS = {"silent": say("silent"), "tones": say("verdict by two tones")}


def offered() -> dict[str, dict[str, str]]:
    """Every choice, with its values and what each is called."""
    return {CHOICE: languages(), "force": FORCES, "wire": WIRES, "sound": SOUNDS}


def chosen(name: str) -> str:
    """What this browser chose; the first on offer where it chose nothing."""
    values = offered()[name]
    asked = request.cookies.get(name, "")
    return asked if asked in values else next(iter(values))


def checked(form: Mapping[str, str]) -> dict[str, str]:
    """The choices that a form makes.

    Raises
    ------
    BadInput
        None, or one that is not on offer.
    """
    made = {name: form[name] for name in offered() if name in form}
    for name, value in made.items():
        if value not in offered()[name]:
            raise BadInput(
                "There is no {name} {value!r}: choose at the foot of the page.",
                name=name,
                value=value[:20],
            )
    if not made:
        raise BadInput("Nothing was chosen: choose language or units at the foot of the page.")
    return made


def remember(answer: Response, made: Mapping[str, str]) -> None:
    """Let the browser remember choices."""
    for name, value in made.items():
        answer.set_cookie(
            name, value, max_age=A_YEAR_S, httponly=True, samesite="Strict",
            secure=request.is_secure,
        )  # fmt: skip


def on_record(reader: LedgerReader, person: str) -> dict[str, str]:
    """What a person chose the last time, as far as it is still on offer."""
    made: dict[str, str] = {}
    for said in reader.said(PersonPrefers):
        made |= said.choices if said.name == person else {}
    return {name: value for name, value in made.items() if value in offered().get(name, {})}


def teach(app: Flask) -> None:
    """Answer every request in the reader's units, and let templates show what is on offer."""

    def take_units() -> None:
        units.set(Units(chosen("force"), chosen("wire")))

    app.before_request(take_units)
    app.jinja_env.globals.update(choices_offered=offered, choice=chosen)
