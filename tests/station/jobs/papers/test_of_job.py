import re
from base64 import b64decode
from collections.abc import Callable, Iterator
from datetime import date
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from station.errors import BadInput
from station.jobs.certification.acts import acknowledge, sign
from station.jobs.certification.acts import end as end_certification
from station.jobs.certification.blind import show_key
from station.jobs.papers.of_job import paper_of
from station.jobs.validation.record import end as end_validation
from station.ledger.chain import Moment
from station.ledger.store import Ledger
from station.shop.photos import SMALL_EDGE, keep_photo
from tests.station.jobs.certification import test_acts as certified
from tests.station.jobs.papers.test_frame import elements
from tests.station.jobs.recorded import Clock, check_instruments, people_and_tools
from tests.station.jobs.validation import test_record as validated
from tests.station.shop.pictures import picture


@pytest.fixture
def clock() -> Clock:
    return Clock(validated.START)


@pytest.fixture
def ledger(tmp_path: Path, clock: Callable[[], Moment]) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "bench.ledger", clock=clock) as opened:
        people_and_tools(opened)
        yield opened


def test_validation_paper_holds_what_decided(ledger: Ledger, clock: Clock) -> None:
    check_instruments(ledger)
    job_id = validated.begin(ledger)
    validated.no_gauges(ledger, job_id)
    assert "Not ended" in paper_of(ledger.reader, job_id)
    for number in range(30):
        validated.sample(ledger, job_id, clock, number)
    ended = end_validation(ledger, validated.look(ledger, job_id), validated.LEAD)
    text = paper_of(ledger.reader, job_id, "letter")
    assert "clock was not known" not in text
    assert elements(text).names.count("svg") == 3
    assert elements(text).names.count("circle") == 60
    for words in (
        "Accepted", "Lea, lead", str(ended.record_hash), "30 of 30 samples", "size:letter",
        "broke at the edge of the barrel: 30", "at least 90.5%", "Plan in force",
    ):  # fmt: skip
        assert words in text
    # 30 of 30 by the success run: 0.05 ** (1 / 30) = 0.905.
    assert round(0.05 ** (1 / 30), 3) == 0.905


def test_a_paper_says_that_a_clock_was_not_set(ledger: Ledger, clock: Clock) -> None:
    check_instruments(ledger)
    job_id = validated.begin(ledger)
    validated.no_gauges(ledger, job_id)
    last, clock.synced = ledger.reader.head().seq, False
    validated.sample(ledger, job_id, clock, 0)
    said = re.search(r"not known to be set at (\d) of its", paper_of(ledger.reader, job_id))
    assert said is not None
    # All that was entered since but the sample's beginning: its time is that of its finish.
    assert int(said[1]) == ledger.reader.head().seq - last - 1


def test_a_paper_shows_its_photos_small(ledger: Ledger, clock: Clock) -> None:
    check_instruments(ledger)
    job_id = validated.begin(ledger)
    validated.no_gauges(ledger, job_id)
    validated.sample(ledger, job_id, clock, 0)
    assert "<figure" not in paper_of(ledger.reader, job_id)
    (row,) = (row for row in ledger.reader.samples() if row.job_id == job_id)
    keep_photo(ledger, row, picture(size=(1200, 800)), "Bo", 5)
    text = paper_of(ledger.reader, job_id)
    elements(text)
    (address,) = re.findall(r'<figure><img src="data:image/jpeg;base64,([^"]+)"', text)
    with Image.open(BytesIO(b64decode(address))) as shown:
        assert shown.size == (SMALL_EDGE, 160)


def test_certificate_holds_scope_statement_and_signatures(ledger: Ledger, clock: Clock) -> None:
    job_id = certified.begin(ledger, clock)
    with pytest.raises(BadInput, match="being judged"):
        paper_of(ledger.reader, job_id)
    show_key(ledger, certified.look(ledger, job_id), certified.BEN)
    with pytest.raises(BadInput, match="being judged"):
        paper_of(ledger.reader, job_id)
    certified.judge_all(ledger)
    sign(ledger, certified.look(ledger, job_id), certified.LEA)
    acknowledge(ledger, certified.look(ledger, job_id), certified.DAG)
    job = certified.look(ledger, job_id)
    ended = end_certification(ledger, job, person="Lea", today=date(2026, 3, 2))
    text = paper_of(ledger.reader, job_id)
    elements(text)
    for words in (
        "Certified", "butt splice, parallel splice, ring, bullet pair", "2027-03-02",
        "60 of 60 crimps conformed", "at least 95.1%", "Lea, lead, signs the outcome",
        "Looked at before the pull", "Is the sleeve whole", "critical",
        "Dag, has seen the outcome", str(ended.record_hash), "Labelled by Ben",
        "looked at by Lea", "6 controls", "90% demanded", "Attempts",
    ):  # fmt: skip
        assert words in text, words
