"""Every route and every role: no cell is open that the table in the notes does not say."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask

from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from station.settings import ANY_ADDRESS, DoorSettings, Settings
from tests.doors import give_secret
from tests.web.benches import BenchAtHand
from tests.web.invented import NOW
from tests.web.visitor import ELSEWHERE, Visitor
from web import create_app
from web.access import ALWAYS_OPEN

NOTES = (Path(__file__).parents[2] / "firmware_notes/network.md").read_text(encoding="utf-8")
ROLES = {"apprentice": "Zed Invented", "installer": "Yve Invented", "lead": "Xan Invented"}
LEADS = {
    "certifications.begin": "certify",
    "certifications.end": "certify",
    "certifications.resit": "certify",
    "certifications.sign_outcome": "certify",
    "certifications.judge_sample": "sign off",
    "calibration.calibrate": "enter a calibration",
    "jobs.release_nest": "release a held nest",
    "jobs.service_nest": "release a held nest",
    "people.add": "change people",
    "people.audit": "read the audit",
    "people.change_role": "change people",
    "people.give_secret": "change people",
    "people.leave": "change people",
    "samples.correct": "correct the record",
    "validations.end": "sign off",
}
"""Routes that are a lead's, and the words of the notes for it."""

ENDS_ITSELF = {"people.sign_out", "bench.follow"}
"""Tried apart: after the first nobody is signed in, and the second does not end."""

Cell = tuple[str, str, str]
"""Method, endpoint, path."""


@pytest.fixture
def app(bench: BenchAtHand, ledger: Ledger) -> Flask:
    """The page where other machines reach it, with somebody of each role."""
    bench.settings = Settings(host=ANY_ADDRESS, doors=DoorSettings(hosts=("bench.example",)))
    for role, name in ROLES.items():
        ledger.append(PersonAdded.model_validate({"name": name, "role": role}), person=name)
        give_secret(ledger, name)
    return create_app(bench, testing=True, clock=lambda: NOW)


def cells(app: Flask) -> Iterator[Cell]:
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<(?:\w+:)?\w+>", "x", rule.rule)
        for method in sorted({"GET", "POST"} & (rule.methods or set())):
            if rule.endpoint not in ENDS_ITSELF:
                yield method, rule.endpoint, path


def is_refused(visitor: Visitor, cell: Cell, **form: str) -> bool:
    method, _, path = cell
    answer = visitor.get(path) if method == "GET" else visitor.post(path, **form)
    to_the_door = "/sign-in?next" in answer.headers.get("Location", "")
    answer.close()
    return answer.status_code in (401, 403) or to_the_door


def test_no_cell_is_open_that_the_notes_do_not_say(app: Flask) -> None:
    row = next(line for line in NOTES.splitlines() if line.endswith("| a lead who signs in |"))
    assert all(words in row for words in LEADS.values())
    visitors = {role: Visitor(app, ELSEWHERE).sign_in(name) for role, name in ROLES.items()}
    found = {
        cell: {role for role, visitor in visitors.items() if not is_refused(visitor, cell)}
        for cell in cells(app)
    }
    wrong = {
        cell: sorted(roles)
        for cell, roles in found.items()
        if roles != ({"lead"} if cell[1] in LEADS and opens(cell) else set(ROLES))
    }
    assert wrong == {}
    assert LEADS.keys() <= {cell[1] for cell in found}


def opens(cell: Cell) -> bool:
    """Whether a cell is the act itself: the page that offers it is everybody's to read."""
    return cell[0] == "POST" or cell[1] == "people.audit"


def test_nobody_reaches_more_than_the_door(app: Flask) -> None:
    stranger = Visitor(app, ELSEWHERE)
    open_to_all = {cell[1] for cell in cells(app) if not is_refused(stranger, cell)}
    assert open_to_all <= ALWAYS_OPEN
    assert is_refused(stranger, ("GET", "bench.follow", "/bench/events"))
    assert is_refused(stranger, ("POST", "people.sign_out", "/sign-out"))


@pytest.mark.parametrize("role", ROLES)
def test_nobody_acts_under_anothers_name(app: Flask, ledger: Ledger, role: str) -> None:
    visitor = Visitor(app, ELSEWHERE).sign_in(ROLES[role])
    other = ROLES["lead" if role != "lead" else "installer"]
    before = ledger.reader.head().seq
    form = {"person": other, "tool": "Hand tool 1", "nest": "red", "reason": "tried",
            "work_order": "W-1", "action": "tried", "name": other}  # fmt: skip
    for cell in cells(app):
        if cell[0] == "POST" and cell[1] not in LEADS and cell[1] not in ALWAYS_OPEN:
            is_refused(visitor, cell, **form)
    signed = {entry.person for entry in ledger.reader.entries(after_seq=before)}
    assert other not in signed
