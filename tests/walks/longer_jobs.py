"""A validation and a certification, each walked twice: ``python -m tests.walks.longer_jobs``.

As the walk of the daily check: the same invented shop in two copies, one worked in a real Chromium
and one by plain requests, both simulated benches from the same seed. The plans are a shop's own,
made short, so that a walk takes minutes; codes are drawn from a fixed seed in both copies, because
the order of judging follows the codes. Pictures and papers go into the README's folder.
"""

import random
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from unittest.mock import patch

from playwright.sync_api import Locator, Page, expect

from station.bench.board import Stage
from station.files import write_whole
from station.jobs.certification.acts import begin as begin_certification
from station.jobs.certification.blind import pool
from station.jobs.certification.codes import ALPHABET, CODE_LENGTH
from station.jobs.certification.sealed import key_of
from station.jobs.papers.of_job import paper_of
from station.jobs.validation.record import read as read_validation
from station.ledger.jobs import coded_samples, job_record, job_samples, jobs
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord, SampleRow
from station.ledger.store import Ledger
from station.simulation import demo as demo_run
from tests.chromium import chromium
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.station.jobs.recorded import check_instruments
from tests.walks import daily_check as daily
from tests.walks.daily_check import SEED, STEP_MS, TARGET, invent_shop, served
from tests.web.visitor import Visitor

LEAD, LABELLER, CANDIDATE = "Ottilie", "Carys", "Dag"
TOOL = "Heron"
PATIENCE_S = 30.0

VALIDATION_PLAN = """
id = "short-validation"
job = "tool_validation"
title = "Short validation, for a walk"
standing = "invented"
reasoning = ["Ten samples, so that a walk takes minutes; too few for a real tool."]
samples_per_joint = 10
coverage = 0.95
confidence = 0.90
voids_allowed = 3
gauge_check_within_h = 24
nest_gauge = "asked"
crimp_height = "asked"
"""
CERTIFICATION_PLAN = """
id = "short-certification"
job = "certification"
title = "Short certification, for a walk"
standing = "invented"
reasoning = ["Eight samples, so that a walk takes minutes; too few for a real certificate."]
samples_per_task = 4
spares_per_task = 1
controls_per_task = 1
share = 0.80
confidence = 0.80
minor_faults_allowed = 1
spread_ratio_max = 1.5
resit_tasks = 1
resit_after_days = 1
new_attempt_after_days = 14
valid_months = 12
remind_days = 30

[[tasks]]
id = "splice"
title = "Butt splice, red, 18 AWG"
connector = "butt-splice-red"
wires = ["18 AWG", "18 AWG"]
band = "red"

[[tasks]]
id = "ring"
title = "Ring, blue, 16 AWG"
connector = "ring-blue"
wires = ["16 AWG"]
band = "blue"
"""


@dataclass(frozen=True)
class Shop:
    """One copy of the invented shop."""

    path: Path

    @property
    def plans(self) -> Path:
        return self.path.parent / "plans"

    @property
    def options(self) -> list[str]:
        return ["--ledger", str(self.path), "--settings", str(self.path.with_name("bench.toml"))]

    def record(self, job: str) -> tuple[JobRecord, list[SampleRow]]:
        """The latest job of this name, with its samples, coded ones too."""
        with LedgerReader.open(self.path) as reader:
            found = job_record(reader, jobs(reader, job=job)[0].job_id)
            codes = list(key_of(self.path, found))
            rows = job_samples(reader, found.row.job_id)
            return found, rows + coded_samples(reader, codes, since_seq=found.row.begun_seq)


def two_copies(invented: Path, folder: Path) -> tuple[Shop, Shop]:
    """Two copies of one shop whose people can sign in and whose gauges were checked."""
    first, second = Shop(folder / "page" / "demo.ledger"), Shop(folder / "cli" / "demo.ledger")
    first.plans.mkdir(parents=True)
    for name, text in (("validation", VALIDATION_PLAN), ("certification", CERTIFICATION_PLAN)):
        (first.plans / f"short-{name}.toml").write_text(text, encoding="utf-8")
    shutil.copy(invented, first.path)
    with Ledger.open(first.path, create=False) as ledger:
        check_instruments(ledger)
        for person in (LEAD, LABELLER, CANDIDATE):
            give_secret(ledger, person)
    shutil.copytree(first.path.parent, second.path.parent)
    for shop in (first, second):
        lines = f'plans_folder = "{shop.plans}"\n'
        shop.path.with_name("bench.toml").write_text(lines, encoding="utf-8")
    return first, second


def fixed_codes(n: int) -> list[str]:
    """The same codes in both copies."""
    drawn = random.Random(SEED)
    return ["".join(drawn.choice(ALPHABET) for _ in range(CODE_LENGTH)) for _ in range(n)]


@contextmanager
def everything_fixed() -> Iterator[None]:
    """Fixed codes, and hashes of little worth."""
    codes = patch.dict(begin_certification.__kwdefaults__, draw=fixed_codes)
    with cheap_hashes(), codes:
        yield


# ---- by plain requests, without a browser -------------------------------------------------------


@contextmanager
def requested(shop: Shop) -> Iterator[tuple[Visitor, demo_run.SimulatedBench]]:
    """Somebody who sends the page's forms without a browser, and the simulated bench."""
    with daily.opened(shop.path, shop.plans) as (app, simulated):
        yield Visitor(app), simulated


def validation_by_requests(shop: Shop) -> None:
    """Validate a tool by plain requests; its paper comes by the command line."""
    with requested(shop) as (visitor, simulated):
        joint = {"connector1": "butt-splice-red", "wire1": "18 AWG", "nest1": "red"}
        plan = {"tool": TOOL, "replaces": "Wren", "plan": "short-validation"}
        job = _sent(visitor, "/validations", **plan, **joint, person=LABELLER)
        gauge = {"nest": "red", "gauge": "G-red", "go": "yes", "no_go": "yes"}
        _sent(visitor, f"{job}/nest-gauge", **gauge, person=LABELLER)
        job_id = job.rsplit("/", 1)[1]
        with LedgerReader.open(shop.path) as reader:
            named = read_validation(reader, job_id).scope.joints[0].key
        _sent(visitor, f"{job}/crimp-height", joint=named, person=LABELLER)
        for _ in range(10):
            _measured(visitor, simulated, f"{job}/sample", LABELLER)
        visitor.sign_in(LEAD)
        _sent(visitor, f"{job}/end")
    _paper(shop, job_id, "validation")


def certification_by_requests(shop: Shop) -> None:
    """Certify a person by plain requests; the paper comes by the command line."""
    with requested(shop) as (visitor, simulated):
        people = {name: Visitor(visitor.app).sign_in(name) for name in (LEAD, LABELLER, CANDIDATE)}
        lead = people[LEAD]
        plan = {"tool": TOOL, "plan": "short-certification"}
        job = _sent(lead, "/certifications", candidate=CANDIDATE, **plan)
        assert people[LABELLER].post(f"{job}/key").status_code == 200
        while code := waiting(shop):
            page = f"/certifications/judging/{code}"
            items = re.findall(r'name="(item-[^"]+)"', lead.get(page).text)
            _sent(lead, page, **dict.fromkeys(items, "good"))
            _measured(lead, simulated, f"{page}/measure", LEAD)
        _sent(lead, f"{job}/sign")
        _sent(people[CANDIDATE], f"{job}/acknowledge")
        _sent(lead, f"{job}/end")
    _paper(shop, job.rsplit("/", 1)[1], "certification")


def waiting(shop: Shop) -> str | None:
    """The code that is to be judged next."""
    with LedgerReader.open(shop.path) as reader:
        return next((sample.code for sample in pool(reader).samples), None)


def _sent(visitor: Visitor, path: str, **form: str) -> str:
    """Send a form and return where it leads."""
    answer = visitor.post(path, **form)
    assert answer.status_code == 303, answer.text
    return answer.headers["Location"]


def _measured(visitor: Visitor, simulated: demo_run.SimulatedBench, path: str, person: str) -> None:
    """Begin a sample and do what the bench asks for until it is done."""
    board, hands = simulated.bench.board, simulated.hands
    _sent(visitor, path, person=person)
    seen = None
    while (state := board.state).stage not in (Stage.DONE, Stage.IDLE):
        if state.stage is not seen:
            seen = state.stage
            if seen is Stage.CLIP_ON and state.order is not None:
                hands.clip_on(state.order.joint)
                if not state.order.coded:
                    _sent(visitor, "/bench/looks", rest="yes")
            if seen in (Stage.CLIP_ON, Stage.GRIP):
                _sent(visitor, "/bench/confirm")
            elif seen is Stage.PULLING:
                hands.pull_once_recorded()
            elif seen is Stage.NAME_FAILURE:
                mode = state.suggested_mode or "broke_at_edge"
                _sent(visitor, "/bench/failure", mode=mode)
        board.wait_beyond(state.version, PATIENCE_S)


def _paper(shop: Shop, job_id: str, name: str) -> None:
    out = str(shop.path.with_name(f"{name}.html"))
    daily._run("job", "report", job_id, "--out", out, "--ledger", str(shop.path))


# ---- on the page --------------------------------------------------------------------------------


@contextmanager
def browsed(shop: Shop) -> Iterator[Page]:
    """A real browser, the size of the bench's screen, on the page of a simulated bench."""
    with served(shop.path, shop.plans) as address, chromium() as browser:
        page = browser.new_page(viewport={"width": 800, "height": 480}, base_url=address)
        page.set_default_timeout(STEP_MS)
        expect.set_options(timeout=STEP_MS)
        yield page


def validation_by_page(shop: Shop, pictures: Path | None = None) -> None:
    """Validate a tool on the page."""
    with browsed(shop) as page:
        page.goto("/validations")
        page.locator("[name=tool]").select_option(TOOL)
        page.locator("[name=replaces]").select_option("Wren")
        page.locator("[name=plan]").select_option("short-validation")
        page.locator("[name=person]").select_option(LABELLER)
        page.locator("[name=connector1]").select_option("butt-splice-red")
        page.locator("[name=wire1]").select_option("18 AWG")
        page.locator("[name=nest1]").select_option("red")
        page.get_by_role("button", name="Begin the validation").click()
        job = page.url
        form = page.locator("form[action$=nest-gauge]")
        form.locator("[name=gauge]").fill("G-red")
        form.locator("[name=go]").check()
        form.locator("[name=no_go]").check()
        _send(form, LABELLER)
        _send(page.locator("form[action$=crimp-height]"), LABELLER)
        _keep(page, pictures, "tool-validation-1-next")
        while page.get_by_role("button", name="Make the sample").count():
            _send(page.locator("form[action$=sample]"), LABELLER)
            _at_the_bench(page)
            page.goto(job)
        sign_in(page, LEAD)
        page.goto(job)
        page.get_by_role("button", name="End the validation").click()
        expect(page.locator(".outcome")).not_to_have_text("Not finished")
        _keep(page, pictures, "tool-validation-2-outcome")


def certification_by_page(shop: Shop, pictures: Path | None = None) -> None:
    """Certify a person on the page."""
    with browsed(shop) as page:
        sign_in(page, LEAD)
        page.goto("/certifications")
        page.locator("[name=candidate]").select_option(CANDIDATE)
        page.locator("[name=tool]").select_option(TOOL)
        page.locator("[name=plan]").select_option("short-certification")
        page.get_by_role("button", name="Begin the certification").click()
        job = page.url
        sign_in(page, LABELLER)
        page.goto(job)
        page.get_by_role("button", name="Show me the key: I label the samples").click()
        expect(page.get_by_role("heading", name="Key for the labels")).to_be_visible()
        sign_in(page, LEAD)
        page.goto("/certifications/judging")
        _keep(page, pictures, "certification-1-coded")
        _judge_all(page)
        page.goto(job)
        page.get_by_role("button", name="Sign the outcome").click()
        sign_in(page, CANDIDATE)
        page.goto(job)
        page.get_by_role("button", name="I have seen the outcome").click()
        sign_in(page, LEAD)
        page.goto(job)
        page.get_by_role("button", name="End the certification").click()
        expect(page.get_by_text("Valid until")).to_be_visible()
        _keep(page, pictures, "certification-2-outcome")


def _judge_all(page: Page) -> None:
    codes = page.locator("main .rows code")
    while codes.count():
        page.get_by_label("Code on the label").fill((codes.first.text_content() or "").lower())
        page.get_by_role("button", name="Take it").click()
        page.get_by_role("button", name="Looked at: all good but what is ticked").click()
        _send(page.locator("form[action$=measure]"), LEAD)
        _at_the_bench(page)
        page.goto("/certifications/judging")


def sign_in(page: Page, name: str) -> None:
    """Sign out whoever is signed in, and somebody else in."""
    page.goto("/sign-in")
    if page.get_by_role("button", name="Sign out").count():
        with page.expect_navigation():
            page.get_by_role("button", name="Sign out").click()
        page.goto("/sign-in")
    page.locator("select[name=name]").select_option(name)
    page.locator("input[name=secret]").fill(PASSPHRASE)
    page.locator("button.big", has_text="Sign in").click()
    expect(page.locator("select[name=name]")).to_have_count(0)


def _send(form: Locator, person: str) -> None:
    form.locator("[name=person]").select_option(person)
    form.locator("button").click()


def _at_the_bench(page: Page) -> None:
    # Of a coded sample it says no more: that one was looked at before.
    page.get_by_role("button", name="Clips are on").click()
    page.get_by_role("button", name="Gripped, start recording").click()
    modes, verdict = page.locator("button[name=mode]"), page.locator("#verdict")
    # A void of the instruments' own asks nothing: the spare that it calls is measured in its turn.
    expect(modes.or_(verdict).filter(visible=True).first).to_be_visible()
    if modes.first.is_visible():
        suggested = page.locator("button[name=mode].suggested")
        chosen = suggested if suggested.count() else page.locator("button[value=broke_at_edge]")
        chosen.first.click()
    expect(page.locator("#verdict")).to_be_visible()


def _keep(page: Page, folder: Path | None, name: str) -> None:
    if folder is not None:
        page.screenshot(path=str(folder / f"{name}.png"), full_page=True)


# ---- both ---------------------------------------------------------------------------------------


def differences(page: Shop, command: Shop, job: str) -> list[str]:
    """In what the two walks of a job differ: nothing, if the station is one station."""
    found = []
    (one, own), (other, others) = page.record(job), command.record(job)
    ends = [record.ended.outcome if record.ended else None for record in (one, other)]
    if ends[0] != ends[1] or ends[0] is None:
        found.append(f"{job}: {ends[0]} on the page, {ends[1]} by plain requests")
    if len(own) != len(others):
        found.append(f"{job}: {len(own)} samples on the page, {len(others)} by requests")
    for left, right in zip(own, others, strict=False):
        if (left.verdict, left.joint_key, left.step) != (
            right.verdict,
            right.joint_key,
            right.step,
        ):
            found.append(f"{left.joint_key} {left.verdict}, {right.joint_key} {right.verdict}")
        # The same crimp, read twice: within four of the tester's own deviations.
        if abs((left.peak_n or 0.0) - (right.peak_n or 0.0)) > 4.0 * (left.peak_u_n or 1.0):
            found.append(f"peak {left.peak_n} N on the page, {right.peak_n} N by requests")
    return found


WALKS: dict[str, tuple[Callable[[Shop, Path | None], None], Callable[[Shop], None]]] = {
    "tool_validation": (validation_by_page, validation_by_requests),
    "certification": (certification_by_page, certification_by_requests),
}


def walk(job: str, page: Shop, command: Shop, pictures: Path | None = None) -> list[str]:
    """Walk a job both ways; return in what they differ."""
    on_page, by_command = WALKS[job]
    with everything_fixed():
        daily.side_by_side(partial(on_page, page, pictures), partial(by_command, command))
    return differences(page, command, job)


def main() -> None:
    """Walk both jobs both ways, and make the pictures and papers."""
    TARGET.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        invented = Path(folder) / "demo.ledger"
        invent_shop(invented)
        page, command = two_copies(invented, Path(folder))
        for job in WALKS:
            if found := walk(job, page, command, TARGET):
                raise SystemExit("\n".join(found))
            record = page.record(job)[0]
            with LedgerReader.open(page.path) as reader:
                text = paper_of(reader, record.row.job_id)
            write_whole(TARGET / f"{job.replace('_', '-')}.html", text)
            print(f"{job}: {record.ended.outcome if record.ended else 'open'}, both ways")


if __name__ == "__main__":
    main()
