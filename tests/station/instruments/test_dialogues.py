"""Every shipped profile against its transcript: a written exchange, faults included."""

import math

import pytest

from station.errors import InstrumentError, InstrumentSilent
from station.instruments.force_lines import ForceLines
from station.instruments.force_source import ForceSource
from station.instruments.meter import Meter
from station.instruments.profiles import (
    CaliperProfile,
    MeterProfile,
    PullTesterProfile,
    load_profile,
    profile_names,
)
from station.instruments.pull_tester import PullTester
from tests.station.instruments.dialogues import FOLDER, TranscriptPort, read_transcript


def test_every_profile_has_a_transcript_and_every_transcript_a_profile() -> None:
    assert {path.stem for path in FOLDER.glob("*.txt")} == set(profile_names())


@pytest.mark.parametrize("name", profile_names())
def test_a_profile_reads_its_transcript_to_the_last_word(name: str) -> None:
    profile = load_profile(name)
    transcript = read_transcript(name)
    assert len(transcript.expected) >= 4, "a transcript shows readings and faults"
    port = TranscriptPort(transcript, profile.line)
    if isinstance(profile, MeterProfile):
        found = ohm_results(profile, port, len(transcript.expected))
    elif isinstance(profile, CaliperProfile):
        found = size_results(profile, port, len(transcript.expected))
    else:
        found = force_results(profile, port)
    assert len(found) == len(transcript.expected)
    for result, expected in zip(found, transcript.expected, strict=True):
        if isinstance(result, str):
            assert result == expected
        else:
            assert math.isclose(result, float(expected), rel_tol=1e-9, abs_tol=1e-12)
    assert port.left_over == []


def size_results(profile: CaliperProfile, port: TranscriptPort, count: int) -> list[float | str]:
    found: list[float | str] = []
    for _ in range(count):
        try:
            found.append(profile.size_m(port.next_line(1.0).data))
        except InstrumentError as error:
            found.append(type(error).__name__)
    return found


def ohm_results(profile: MeterProfile, port: TranscriptPort, count: int) -> list[float | str]:
    meter = Meter(port, profile)
    meter.configure(0.005)
    results: list[float | str] = []
    for _ in range(count):
        try:
            results.append(meter.read_ohm().value_ohm)
        except InstrumentError as error:
            results.append(type(error).__name__)
    meter.finish()
    return results


def force_results(profile: PullTesterProfile, port: TranscriptPort) -> list[float | str]:
    PullTester(port, profile).identify()
    source, lines = ForceSource(port, profile), ForceLines(profile, "tester")
    source.begin()
    results: list[float | str] = []
    while any(kind == "<" for kind, _ in port.left_over):
        try:
            sample = source.next_sample(lines)
        except InstrumentSilent:
            break
        except InstrumentError as error:
            results.append(type(error).__name__)
            continue
        if sample is None:
            results.append("unread")
        else:
            results.append("overload" if sample.force_n is None else sample.force_n)
    source.finish()
    return results
