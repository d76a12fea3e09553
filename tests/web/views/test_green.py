"""Every way to a green badge, with one thing wrong: none is green and silent on what is missing."""

import re
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from flask.testing import FlaskClient

from station.bench.board import Stage
from station.cli.main import run
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.in_force import LimitsInForce
from station.crimp.limits import LimitSets
from station.errors import BadInput, NoLimit
from station.jobs.papers.of_job import paper_of
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import ToolAdded
from station.ledger.jobs import job_record
from station.simulation.workshop import good_looks
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of
from tests.web.papers import names_its_limits

GOOD = order_of("Bo Invented", "blue")
CRITICAL = [
    item
    for item in shipped_book().checklist(shipped_book().connectors[GOOD.joint.connector])
    if item.critical
]
FROM_MEMORY = "unverified, from memory"
FIXED = "it was fixed when the check began"


def looked(**answers: bool) -> SampleOrder:
    return replace(GOOD, checklist={**GOOD.checklist, **answers})


def unseen(name: str) -> SampleOrder:
    left = {item: good for item, good in GOOD.checklist.items() if item != name}
    return replace(GOOD, checklist=left)


def of(connector: str, *wires: str, **changes: Any) -> SampleOrder:
    joint = GOOD.joint.model_copy(update={"connector": connector, "wires": wires})
    return replace(GOOD, joint=joint, checklist=good_looks(joint), **changes)


@dataclass(frozen=True)
class Wrong:
    """One thing wrong with a sample: how it is made, and what its badge must say."""

    badge: str
    order: SampleOrder = GOOD
    made: dict[str, Any] = field(default_factory=dict)
    only: str | None = None
    says: str = ""
    """What the page of the sample says besides."""
    refused: str = ""
    """Why a job takes no such sample."""
    judge: tuple[str, ...] | None = ()
    """What is said to ``judge`` instead; None where it knows no such thing."""


SETS = ("--set", "ul-486a-1991", "--set", "own-rule-resistance")
CASES = {
    **{
        f"{item.id} is answered no": Wrong(
            "Fail", looked(**{item.id: False}), says=f"Failed by a look: {item.question} No.",
            judge=("--look", f"{item.id}=no"),
        )
        for item in CRITICAL
    },
    **{
        f"{item.id} is not answered": Wrong(
            "Undecided, not judged: looks", unseen(item.id), {"looked": False},
            judge=("--unseen", item.id),
        )
        for item in CRITICAL
    },
    "no resistance limit in the set": Wrong(
        "Undecided, not judged: resistance", replace(GOOD, limit_set="ul-486a-1991"),
        refused=FIXED, judge=("--sets", "ul-486a-1991"),
    ),
    "50 mohm": Wrong("Fail", made={"splice_ohm": 50e-3}, judge=("--resistance-mohm", "50")),
    "5 N": Wrong("Fail", made={"peak_n": 5.0}, judge=("--force-n", "5")),
    "slipped": Wrong("Void", made={"mode": "grip_slip"}, says="slipped in the grips", judge=None),
    "wrong barrel": Wrong(
        "Fail", of("butt-splice-red", "12 AWG", "12 AWG", use_wrong_barrel=True),
        {"peak_n": 500.0, "splice_ohm": 1e-4}, says="The barrel is not made for its wires.",
        judge=("--wire", "12 AWG", "--force-n", "500", "--resistance-mohm", "0.1"),
    ),
    "a set from memory": Wrong(
        "Undecided, not judged: resistance",
        of("butt-splice-yellow", "10 AWG", "10 AWG", limit_set="abyc-e11-memory"),
        {"peak_n": 400.0, "splice_ohm": 5e-5}, says=FROM_MEMORY, refused=FIXED,
        judge=("--wire", "10 AWG", "--connector", "butt-splice-yellow", "--force-n", "400",
               "--sets", "abyc-e11-memory"),
    ),
    "no meter": Wrong("Pass, pull only", only="pull", judge=("--only", "pull")),
    "no meter, and a look is not answered": Wrong(
        "Undecided, pull only, not judged: looks", unseen(CRITICAL[0].id), {"looked": False},
        only="pull", judge=None,
    ),
    "twisted and taped": Wrong(
        "Fail", of("twisted-and-taped", "18 AWG", "18 AWG", job="comparison", step="taped"),
        says="it must not be built", refused="is made for a comparison only",
        judge=("--connector", "twisted-and-taped"),
    ),
    "a held limit, pulled once": Wrong("Pass", says="a peak is not a hold"),
    # 180 N would do for the 16 AWG half, whose limit is 133 N, but not for 14 AWG with 222 N.
    "the half that is not as strong as its own size": Wrong(
        "Fail", of("butt-splice-blue", "14 AWG", "16 AWG", pull_wire=0),
        {"peak_n": 180.0, "splice_ohm": 2e-4}, says="wire 1 (14 AWG)",
        judge=("--wire", "14 AWG", "--connector", "butt-splice-blue", "--force-n", "180",
               "--resistance-mohm", "0.2"),
    ),
    "the thinner half alone": Wrong(
        "Pass", of("butt-splice-blue", "14 AWG", "16 AWG"), {"peak_n": 180.0, "splice_ohm": 2e-4},
        says="wire 2 (16 AWG)",
        judge=("--wire", "16 AWG", "--connector", "butt-splice-blue", "--force-n", "180"),
    ),
}  # fmt: skip


@pytest.fixture(params=list(CASES.values()), ids=list(CASES))
def wrong(request: pytest.FixtureRequest, bench: BenchAtHand) -> Wrong:
    case: Wrong = request.param
    if case.only is not None:
        sets = shipped_limit_sets()
        choice = LimitsInForce.model_validate({"only": case.only})
        bench.limit_sets = LimitSets([sets[name] for name in sets.ids], choice)
    return case


def badges(html: str) -> list[tuple[str, str]]:
    """Colour and words of every badge of a sample."""
    found = re.findall(r'class="badge(?: large)? (\w+)"[^>]*>(.*?)</(?:p|td)>', html, re.S)
    plain = ((colour, re.sub(r"<[^>]*>", " ", words)) for colour, words in found)
    return [(colour, " ".join(words.split())) for colour, words in plain]


def colour_of(badge: str) -> str:
    return badge.partition(",")[0].lower()


def test_no_page_shows_it_green_and_silent(
    client: FlaskClient, bench: BenchAtHand, wrong: Wrong
) -> None:
    bench.start(wrong.order)
    bench.finish(**wrong.made)
    sample_id = bench.board.state.sample_id or ""
    expected = colour_of(wrong.badge), wrong.badge
    assert badges(client.get("/bench").text)[0] == expected
    page = client.get(f"/samples/{sample_id}").text
    assert ("Judged by the pull only." in client.get("/").text) == (wrong.only == "pull")
    assert badges(page)[0] == expected
    assert wrong.says.replace("'", "&#39;") in page
    for listed in ("/samples", "/tools/Hand%20tool%201/blue"):
        rows = re.findall(r"<tr>.*?</tr>", client.get(listed).text, re.S)
        shown = [badges(row)[0] for row in rows if sample_id in row]
        # A comparison says nothing of a nest.
        assert shown == [expected] or (shown == [] and wrong.order.job == "comparison")


def test_no_paper_says_that_it_is_good(bench: BenchAtHand, wrong: Wrong) -> None:
    tool = ToolAdded(tool="Hand tool 9", description="new", nests=("red",))
    bench.enter(tool, "Bo Invented")
    job_id = bench.jobs.begin_check([("Hand tool 9", "red")], person="Bo Invented")
    here = {"tool": "Hand tool 9", "nest": "red"}
    joint = wrong.order.joint.model_copy(update=here)
    order = replace(wrong.order, job="daily_check", joint=joint, job_id=job_id, step=None)
    good = replace(GOOD, joint=GOOD.joint.model_copy(update=here), job_id=job_id)
    if wrong.refused:
        with pytest.raises((BadInput, NoLimit), match=wrong.refused):
            bench.start(order)
        return
    bench.start(order)
    bench.finish(**wrong.made)
    for _ in range(2):
        if job_record(bench.ledger.reader, job_id).ended is None:
            bench.start(good)
            bench.finish()
    paper = paper_of(bench.ledger.reader, job_id)
    released = "RELEASED" in paper or "IN USE" in paper
    # A void by a person's word counts as it was measured, and those that replace it are good.
    assert released == (colour_of(wrong.badge) in ("pass", "void"))
    if wrong.only is None:
        assert not released or names_its_limits(paper, "18 AWG")
    else:
        assert "Judged by the pull only." in paper
        assert "pass, pull only" in paper or not released
    for what in order.checklist.items():
        assert what[1] or "Failed by a look" in paper


def said_to_judge(wrong: Wrong) -> list[str]:
    """A good sample for ``judge``, with the one thing wrong."""
    said = dict(zip(wrong.judge[::2], wrong.judge[1::2], strict=True)) if wrong.judge else {}
    looks = dict.fromkeys(good_looks(wrong.order.joint), "yes")
    looks.pop(said.pop("--unseen", ""), None)
    if "--look" in said:
        name, _, answer = said.pop("--look").partition("=")
        looks[name] = answer
    sets = ("--set", said.pop("--sets")) if "--sets" in said else SETS
    values = {
        "--wire": "18 AWG", "--connector": "butt-splice-red", "--force-n": "142",
        "--resistance-mohm": "0.4", **said,
    }  # fmt: skip
    if sets != SETS:
        # Refused where the set says nothing of what is stated.
        del values["--resistance-mohm"]
    answered = [part for name, answer in looks.items() for part in ("--look", f"{name}={answer}")]
    return [*sets, *(part for pair in values.items() for part in pair), *answered]


def test_no_command_says_it_is_good(wrong: Wrong, capsys: pytest.CaptureFixture[str]) -> None:
    if wrong.judge is None:
        return
    code = run(["judge", *said_to_judge(wrong)])
    first, *rest = capsys.readouterr().out.splitlines()
    assert first == wrong.badge.replace(
        colour_of(wrong.badge).title(), colour_of(wrong.badge).upper()
    )
    assert code == (colour_of(wrong.badge) == "fail")
    assert (FROM_MEMORY in "".join(rest)) == (FROM_MEMORY in wrong.says)


def test_a_sound_sample_is_green(client: FlaskClient, bench: BenchAtHand) -> None:
    bench.start(GOOD)
    bench.finish()
    assert bench.board.state.stage is Stage.DONE
    assert badges(client.get("/bench").text)[0] == ("pass", "Pass")
