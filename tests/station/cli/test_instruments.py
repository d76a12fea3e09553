import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from station.cli.instruments import instruments
from station.cli.main import run
from station.instruments.profiles import load_tester_profile, profile_names
from station.settings import read_settings
from station.simulation.launch import SimulatedInstrument
from tests.station.instruments.fakes import FarEnd

Captured = pytest.CaptureFixture[str]


def answer(capsys: Captured, *arguments: str) -> Any:
    assert run(["instruments", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture(name="tester", scope="module")
def framed_tester() -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("pull_tester", profile="tester-framed-status", paced=False) as far:
        yield far


def test_all_profiles_are_listed(capsys: Captured) -> None:
    listed = answer(capsys, "list")
    assert [profile["name"] for profile in listed["profiles"]] == list(profile_names())
    assert {profile["kind"] for profile in listed["profiles"]} == {
        "meter", "pull_tester", "caliper"
    }  # fmt: skip
    assert run(["instruments", "list"]) == 0
    assert "meter-scpi-plain" in capsys.readouterr().out


def test_a_tester_is_identified_by_its_profile(
    capsys: Captured, tester: SimulatedInstrument
) -> None:
    found = answer(capsys, "identify", tester.port, "--profile", "tester-framed-status")
    assert found["identity"]["serial"] == "0001"
    assert found["identity"]["model"] == "SIMULATED PULL TESTER"


@pytest.mark.parametrize(
    ("kind", "profile"), [("meter", "meter-scpi-plain"), ("pull_tester", "tester-stream-newton")]
)
def test_an_unknown_instrument_is_found_by_trying(
    capsys: Captured, kind: Any, profile: str
) -> None:
    with SimulatedInstrument(kind, profile=profile, paced=False) as far:
        found = answer(capsys, "identify", far.port)
        assert found["identity"]["serial"] == "0001"
        if kind == "pull_tester":
            assert found["profile"] == profile


def test_nobody_on_the_port_is_one_sentence(capsys: Captured, tmp_path: Path) -> None:
    assert (
        run(["instruments", "identify", str(tmp_path / "no"), "--profile", "meter-scpi-plain"]) == 2
    )
    assert "plug in the adapter" in capsys.readouterr().err


def test_forces_are_watched_and_traced(
    capsys: Captured, tester: SimulatedInstrument, tmp_path: Path
) -> None:
    trace = tmp_path / "trace.txt"
    watching = ("watch", tester.port, "--profile", "tester-framed-status", "--count", "5")
    seen = answer(capsys, *watching, "--trace", str(trace))
    assert (seen["unit"], len(seen["readings"])) == ("N", 5)
    assert all(abs(reading["value"]) < 1 for reading in seen["readings"])
    assert r"\x02" in trace.read_text()
    assert run(["instruments", *watching]) == 0
    assert capsys.readouterr().out.count(" N\n") == 5


def test_open_leads_are_watched_as_no_reading(capsys: Captured) -> None:
    with SimulatedInstrument("meter", paced=False) as far:
        watching = ("watch", far.port, "--profile", "meter-scpi-plain", "--seconds", "0.1")
        seen = answer(capsys, *watching)
        assert {reading["value"] for reading in seen["readings"]} == {None}
        far.command({"mount": {}})
        seen = answer(capsys, *watching)
        assert seen["readings"][-1]["value"] == pytest.approx(0.0022, abs=1e-5)


def test_json_needs_an_end(capsys: Captured, tester: SimulatedInstrument) -> None:
    watching = ["instruments", "watch", tester.port, "--profile", "tester-framed-status", "--json"]
    assert run(watching) == 2
    assert "--seconds or --count" in capsys.readouterr().err


def test_an_unlisted_tester_is_learned_and_then_watched(capsys: Captured, tmp_path: Path) -> None:
    with SimulatedInstrument("pull_tester", profile="unlisted", paced=False) as far:
        file = tmp_path / "ours.toml"
        learning = ("learn", far.port, "--seconds", "1", "--out", str(file), "--yes")
        learned = answer(capsys, *learning)
        assert learned["written"] == str(file)
        assert "daN" in load_tester_profile("ours", tmp_path).dialect.units
        seen = answer(
            capsys, "watch", far.port, "--profile", "ours", "--profiles", str(tmp_path),
            "--count", "3",
        )  # fmt: skip
        assert len(seen["readings"]) == 3


def test_learning_says_how_the_profile_comes_into_use(
    capsys: Captured, tester: SimulatedInstrument, tmp_path: Path
) -> None:
    folder = tmp_path / "profiles"
    file = folder / "ours.toml"
    learning = ["instruments", "learn", tester.port, "--seconds", "0.5", "--out", str(file)]
    assert run([*learning, "--yes"]) == 0
    out, err = capsys.readouterr()
    assert "nobody in line with the pull" in err
    assert "A hung weight falls" in err
    assert file.exists()
    assert f"watch {tester.port} --profiles {folder} --profile ours" in out
    lines = out.splitlines()
    first = lines.index(f'  profiles_folder = "{folder}"  # at the top')
    # What is printed is copied as it stands: the settings can be read, and name what was learned.
    copied = tmp_path / "bench.toml"
    copied.write_text("\n".join(lines[first:]), encoding="utf-8")
    settings = read_settings(copied)
    assert settings.profiles_folder == folder
    assert settings.tester is not None
    assert (settings.tester.port, settings.tester.profile) == (tester.port, "ours")
    assert "-0 N" not in out


def test_learning_shows_what_it_found_and_writes_nothing_unasked(
    capsys: Captured, tester: SimulatedInstrument
) -> None:
    assert run(["instruments", "learn", tester.port, "--seconds", "0.5"]) == 0
    out = capsys.readouterr().out
    assert "[dialect]" in out
    assert "Forces from" in out


def test_learning_by_polls(capsys: Captured) -> None:
    with SimulatedInstrument("pull_tester", profile="tester-poll-character", paced=False) as far:
        learned = answer(capsys, "learn", far.port, "--seconds", "3", "--poll", "?")
        assert 'poll = "?"' in learned["profile"]


@pytest.mark.parametrize("command", [[], ["list"], ["identify"], ["watch"], ["learn"]])
def test_help_shows_an_example(capsys: Captured, command: list[str]) -> None:
    assert run(["instruments", *command, "--help"]) == 0
    assert "Example: station instruments" in capsys.readouterr().out


def test_learning_asks_which_words_are_good(
    tester: SimulatedInstrument, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "ours.toml"
    learning = ["learn", tester.port, "--seconds", "0.5", "--out", str(file)]
    asked = CliRunner().invoke(instruments, learning, input="S, U\ny\n")
    assert "mean that it is good" in asked.output
    profile = load_tester_profile("ours", tmp_path)
    assert profile.dialect.good_status == ("S", "U")


@pytest.mark.parametrize(
    ("said", "words"), [(b"??;;\r\n", "sends by itself, such as"), (b"", "sends by itself or")]
)
def test_identify_tells_a_streaming_instrument_from_a_silent_one(
    capsys: Captured, said: bytes, words: str
) -> None:
    with FarEnd() as far:
        stop = threading.Event()

        def stream() -> None:
            while said and not stop.wait(0.02):
                far.say(said)

        speaking = threading.Thread(target=stream)
        speaking.start()
        code = run(["instruments", "identify", far.path, "--profile", "tester-poll-character"])
        stop.set()
        speaking.join()
    assert code == 2
    assert words in capsys.readouterr().err
