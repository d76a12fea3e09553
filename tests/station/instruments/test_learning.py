"""Learning from what the simulated voices say: their own ground truth is the check."""

import numpy as np
import pytest

from station.errors import InstrumentGarbled
from station.instruments.dialects import LineSettings
from station.instruments.learning import Proposal, propose
from station.simulation.pull_tester import SimulatedPullTester
from station.simulation.voices import TESTER_VOICES

LINE = LineSettings(baud=9600)
BREAK_N = 120.0
SECONDS = 20.0
GROUPS = ("counter", "time", "sign", "force", "unit", "status")
STREAMS = [name for name, voice in TESTER_VOICES.items() if voice.poll is None]


def heard(name: str, *, pulled: bool = True) -> bytes:
    voice = TESTER_VOICES[name]
    tester = SimulatedPullTester(np.random.default_rng(1), voice=voice)
    tester.due(0.0)
    if voice.start is not None:
        tester.receive(voice.start, 0.0)
    if pulled:
        tester.handle({"mount": {"break_force_n": BREAK_N}}, 0.0)
        tester.handle({"pull": True}, 0.0)
    return tester.due(SECONDS)


def learned(name: str, *, pulled: bool = True) -> Proposal:
    return propose(heard(name, pulled=pulled), SECONDS, LINE)


@pytest.mark.parametrize("name", STREAMS)
def test_value_unit_and_sign_of_every_stream_are_found(name: str) -> None:
    proposal = learned(name)
    voice = TESTER_VOICES[name]
    unit, newtons = voice.units[0]
    dialect = proposal.profile.dialect
    if unit:
        assert dict(dialect.units) == {unit: newtons}
    assert len(proposal.forces_n) == proposal.lines_heard
    # Counts are shown as they are: 0.0005 N in one, as its shipped profile says.
    scale = 2000 if "count" in dialect.units else 1
    assert max(proposal.forces_n) == pytest.approx(BREAK_N * scale, abs=1.0 * scale)
    assert min(proposal.forces_n) > -scale
    assert proposal.profile.line.receive_end == voice.answer_end


@pytest.mark.parametrize(
    ("name", "groups"),
    [
        ("tester-stream-newton", {"counter", "force", "unit", "status"}),
        ("tester-line-protocol", {"counter", "time", "force", "status"}),
        ("tester-framed-status", {"sign", "force", "unit", "status"}),
    ],
)
def test_counters_clocks_and_direction_digits_are_told_apart(name: str, groups: set[str]) -> None:
    reply = learned(name).profile.dialect.reply
    assert {group for group in GROUPS if group in reply} == {*groups}


def test_without_a_pull_the_sign_is_only_assumed() -> None:
    remarks = learned("tester-stream-newton", pulled=False).remarks
    assert any("sign of tension is assumed" in remark for remark in remarks)


def test_a_mass_is_pointed_out() -> None:
    remarks = learned("tester-indicator-kilogram").remarks
    assert any("kg is a mass" in remark for remark in remarks)


def test_answers_to_a_poll_make_a_polling_profile() -> None:
    lines = b"".join(b"%6.1f lbf\r" % (x / 10) for x in range(30))
    dialect = propose(lines, 3.0, LINE, poll="?").profile.dialect
    assert (dialect.poll, dict(dialect.units)) == ("?", {"lbf": 4.4482216152605})


@pytest.mark.parametrize(
    "noise", [b"", b"12.3\r\n", b"\xff\xfe" * 500, b"hello\r\n" * 20, bytes(range(14, 255)) * 9]
)
def test_noise_is_refused_with_advice(noise: bytes) -> None:
    with pytest.raises(InstrumentGarbled):
        propose(noise, 1.0, LINE)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("tester-stream-newton", {"OK"}),
        ("tester-indicator-kilogram", {"ST", "US"}),
        ("tester-line-protocol", {"0"}),
        ("tester-stream-bare", set()),
        ("unlisted", {"ok"}),
    ],
)
def test_the_status_that_was_heard_is_proposed_as_the_good_one(name: str, words: set[str]) -> None:
    proposal = learned(name)
    assert set(proposal.status_heard) == words
    assert set(proposal.profile.dialect.good_status) == words


def test_a_person_may_name_other_status_words_as_the_good_ones() -> None:
    proposal = propose(heard("tester-indicator-kilogram"), SECONDS, LINE, good_status=["ST"])
    assert proposal.profile.dialect.good_status == ("ST",)


@pytest.mark.parametrize(
    ("name", "literal"), [("tester-indicator-kilogram", "(?:NT)"), ("unlisted", "(?:LOAD)")]
)
def test_a_word_that_was_never_heard_makes_a_line_unreadable(name: str, literal: str) -> None:
    assert literal in learned(name).profile.dialect.reply
