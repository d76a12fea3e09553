"""Jobs by command line."""

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.files import DATA
from station.ledger import database
from tests.pace import unpaced
from tests.station.jobs.job_hands import TOOL, WEAK_N, Shop

PLACE = f"{TOOL}/red"


class Terminal:
    """Runs commands on the shop's ledger."""

    def __init__(self, shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
        self._ledger = ["--ledger", str(shop.ledger.path)]
        self._capsys = capsys

    def does(self, *arguments: str, expect: int = 0) -> str:
        self._capsys.readouterr()
        assert run([*arguments, *self._ledger]) == expect
        said = self._capsys.readouterr()
        return said.out if expect != 2 else said.err

    def document(self, *arguments: str) -> Any:
        return json.loads(self.does(*arguments, "--json"))


@pytest.fixture
def terminal(shop: Shop, capsys: pytest.CaptureFixture[str]) -> Terminal:
    return Terminal(shop, capsys)


def test_a_check_is_begun_followed_and_ended(shop: Shop, terminal: Terminal) -> None:
    due = terminal.document("job", "due")
    assert [(item["nest"], item["due"], item["held"]) for item in due] == [
        ("red", True, False),
        ("blue", True, False),
        ("yellow", True, False),
    ]
    begun = terminal.document(
        "job", "start", "daily_check", "--nest", PLACE, "--person", "Bo Invented"
    )
    job_id = begun["job_id"]
    assert (begun["ended"], begun["outcome"], begun["plan"]) == (False, None, "daily-check")
    assert begun["todos"][0]["left"] == 3
    assert [job["job_id"] for job in terminal.document("job", "list", "--open")] == [job_id]
    for _ in range(3):
        shop.make(job_id)
    assert terminal.document("job", "list")[0]["outcome"] == "released"
    assert terminal.document("job", "list", "--open") == []
    assert "daily check: released" in terminal.does("job", "list")


def test_a_held_nest_is_listed_and_refused(shop: Shop, terminal: Terminal) -> None:
    shop.make(shop.begin("red"), WEAK_N)
    start = ("job", "start", "daily_check", "--nest", PLACE, "--person", "Bo Invented")
    assert "is held since" in terminal.does(*start, expect=2)
    assert terminal.does("job", "due").startswith("HELD")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("job", "sample", "nothing", "--person", "Bo Invented"), "not on record"),
        (("job", "start", "certification", "--person", "Bo Invented"), "done on the page"),
        (("job", "report", "nothing", "--out", "paper.html"), "not on record"),
        (("job", "start", "daily_check", "--person", "Bo Invented"), "which nests"),
        (("job", "start", "daily_check", "--nest", "red", "--person", "Bo Invented"), "TOOL/NEST"),
        (("job", "start", "juggling", "--nest", PLACE, "--person", "Bo Invented"), "no job"),
        (("job", "start", "daily_check", "--nest", PLACE, "--person", "Nobody"), "not on record"),
        (
            ("job", "start", "daily_check", "--nest", PLACE, "--plan", "none",
             "--person", "Bo Invented"),
            "no plan",
        ),
    ],
)  # fmt: skip
def test_bad_input_is_one_sentence_and_changes_nothing(
    shop: Shop, terminal: Terminal, arguments: tuple[str, ...], says: str
) -> None:
    before = shop.ledger.reader.counts().entries
    said = terminal.does(*arguments, expect=2)
    assert says in said
    assert said.count("\n") == 1
    assert shop.ledger.reader.counts().entries == before


def test_a_paper_is_written_of_a_held_nest(shop: Shop, terminal: Terminal, tmp_path: Path) -> None:
    shop.jobs.nests.log_work(TOOL, "red", "W-7", "Bo Invented")
    job_id = shop.begin("red")
    shop.make(job_id, void_reason="the meter was silent")
    shop.make(job_id, WEAK_N)
    out = tmp_path / "paper.html"
    for size in ("a4", "letter"):
        terminal.does("job", "report", job_id, "--out", str(out), "--paper", size)
        text = out.read_text(encoding="utf-8")
        assert f"size:{'A4' if size == 'a4' else 'letter'}" in text
        for part in ("HELD: DO NOT USE", "A sample failed a limit", "W-7", "void, replaced",
                     "60.0 N", "<svg", "There is no re-test of a fail"):  # fmt: skip
            assert part in text
    nowhere = str(tmp_path / "no folder" / "paper.html")
    assert "could not be written" in terminal.does(
        "job", "report", job_id, "--out", nowhere, expect=2
    )


def test_the_odds_of_a_plan_are_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    asked = ["job", "odds", "daily-check", "--tries", "20", "--crimps-a-day", "40", "--json"]
    assert run(asked) == 0
    told = json.loads(capsys.readouterr().out)
    usual, lean = told["let_through"]
    assert (usual["plan"], lean["plan"]) == ("daily-check", "daily-check-lean")
    assert usual["crimps_a_day"] == 40.0
    assert lean["checks_take_a_year"] < 0.7 * usual["checks_take_a_year"]
    # Half a day of a nest half of whose crimps fail: it is found at its first check.
    assert usual["happenings"][0]["bad_crimps"] == pytest.approx(10.0, abs=3.0)
    assert told["plan"] == "daily-check"
    broken, *_, sound = told["rates"]
    assert (broken["truth"], broken["tried"], sound["truth"]) == ("bad", 20, "sound")
    assert broken["share"] <= 0.1
    own = tmp_path / "own.toml"
    shipped = (DATA / "plans" / "daily-check.toml").read_text(encoding="utf-8")
    own.write_text(shipped.replace('id = "daily-check"', 'id = "own"'), encoding="utf-8")
    assert run(["job", "odds", str(own), "--tries", "10"]) == 0
    printed = capsys.readouterr().out
    assert "bad nests left in use" in printed
    assert "own, a nest of 25 crimps a day: its checks take" in printed
    assert run(["job", "odds", "no-plan"]) == 2
    assert "use one of" in capsys.readouterr().err


def test_samples_are_made_with_simulated_instruments(shop: Shop, terminal: Terminal) -> None:
    job_id = shop.begin("red")
    make = ("job", "sample", job_id, "--person", "Bo Invented", "--simulate")
    assert "which joint" in terminal.does(*make, expect=2)
    joint = ("--connector", "butt-splice-red", "--wire", "18 AWG")
    with unpaced():
        made = terminal.document(*make, *joint, "--count", "5")
    assert made["ended"] is True
    assert [row["verdict"] for row in made["samples"]] == ["pass"] * 3
    assert "wants no such sample" in terminal.does(*make, expect=2)


def test_how_jobs_stand_is_read_off_a_ledger_that_cannot_be_written(
    shop: Shop, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = terminal.document(
        "job", "start", "daily_check", "--nest", PLACE, "--person", "Bo Invented"
    )
    # Tests may run as root, whom file modes do not bind: no connection that could write is given.
    connect = database.connect

    def read_only(path: Path, mode: database.Mode, busy_timeout_s: float) -> sqlite3.Connection:
        if mode != "ro":
            refused = sqlite3.OperationalError("attempt to write a readonly database")
            refused.sqlite_errorcode = sqlite3.SQLITE_READONLY
            raise refused
        return connect(path, mode, busy_timeout_s)

    monkeypatch.setattr(database, "connect", read_only)
    assert terminal.document("job", "due")[0]["nest"] == "red"
    assert terminal.document("job", "list")[0]["job_id"] == begun["job_id"]
    start = ("job", "start", "daily_check", "--nest", f"{TOOL}/blue", "--person", "Bo Invented")
    assert "cannot be written" in terminal.does(*start, expect=2)
