"""What the notes for builders say is what the station does."""

import re
from pathlib import Path

import pytest

from station.instruments import dialects
from station.instruments.force_lines import ForceLines, xor_intact
from station.instruments.port import LinePort
from station.instruments.profiles import (
    ForceAccuracy,
    MeasuringCommands,
    MeterAccuracy,
    PullTesterProfile,
    Sampling,
    load_tester_profile,
)
from station.instruments.pull_tester import PullTester
from station.simulation.launch import SimulatedInstrument

NOTES = Path(__file__).parents[3] / "firmware_notes"
PROTOCOL = (NOTES / "line_protocol.md").read_text(encoding="utf-8")
PROFILES = (NOTES / "profiles.md").read_text(encoding="utf-8")


def block(text: str, kind: str) -> str:
    found = re.search(rf"^```{kind}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    assert found is not None
    return found[1]


def test_every_example_of_the_protocol_has_its_checksum() -> None:
    examples = re.findall(r"^\$.*$", PROTOCOL, re.MULTILINE)
    assert len(examples) >= 9
    assert all(xor_intact(example.encode("ascii")) for example in examples)


def test_the_examples_of_samples_are_read_as_the_notes_say() -> None:
    reader = ForceLines(load_tester_profile("tester-line-protocol"), "board")
    lines = block(PROTOCOL, "pull").encode("ascii").splitlines()
    samples = [reader.read(line, 0.0) for line in lines]
    assert [sample and sample.force_n for sample in samples] == pytest.approx(
        [0.0, 1.0, 20.0, 40.0, None]
    )
    assert [sample and sample.index for sample in samples] == [0, 1, 2, 4, 5]
    assert samples[3] is not None
    assert samples[3].device_s == pytest.approx(0.004)
    for line in block(PROTOCOL, "lines").encode("ascii").splitlines():
        assert reader.matches(line)


def test_the_identity_of_the_notes_is_read() -> None:
    pattern = load_tester_profile("tester-line-protocol").dialect.identity
    assert pattern is not None
    match = re.fullmatch(pattern, block(PROTOCOL, "identity").strip())
    assert match is not None
    assert match.groupdict() == {
        "maker": "ANY WORKSHOP", "model": "BRIDGE BOARD", "serial": "17", "firmware": "3",
    }  # fmt: skip


def test_a_newcomers_profile_reads_a_dialect_that_no_profile_ships_for(tmp_path: Path) -> None:
    (tmp_path / "my-tester.toml").write_text(block(PROFILES, "toml"), encoding="utf-8")
    profile = load_tester_profile("my-tester", tmp_path)
    with (
        SimulatedInstrument("pull_tester", profile="unlisted", paced=False) as far,
        LinePort(far.port, profile.line, name="mine") as port,
    ):
        samples = PullTester(port, profile).samples()
        assert abs(next(samples).force_n or 0.0) < 1.0
        far.command({"mount": {"break_force_n": 120.0}})
        far.command({"pull": True})
        peak_n = 0.0
        for sample in samples:
            assert sample.force_n is not None
            if sample.force_n < 0.5 * peak_n and peak_n > 50.0:
                break
            peak_n = max(peak_n, sample.force_n)
        samples.close()
        assert peak_n == pytest.approx(120.0, abs=1.0)


KEYS = {
    f"{model.__name__}.{key}": key
    for model in (
        dialects.LineSettings,
        dialects.TesterDialect,
        dialects.PeakRegister,
        Sampling,
        ForceAccuracy,
        dialects.MeterDialect,
        dialects.Reversal,
        MeasuringCommands,
        MeterAccuracy,
        PullTesterProfile,
    )
    for key in model.model_fields
}


@pytest.mark.parametrize("key", KEYS.values(), ids=KEYS)
def test_every_key_of_a_profile_is_in_the_notes(key: str) -> None:
    assert re.search(rf"\b{key}\b", PROFILES)
