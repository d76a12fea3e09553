import json

import pytest

from station.cli.main import run


def test_all_connectors_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["connectors", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert {"butt-splice-red", "ring-yellow"} <= {item["id"] for item in listed}
    assert run(["connectors"]) == 0
    assert "takes 16 AWG" in capsys.readouterr().out


def test_one_connector_says_how_to_strip_clip_and_look(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Common practice, no source: strip about a quarter inch.
    assert run(["connectors", "ring-red", "--json"]) == 0
    ring = json.loads(capsys.readouterr().out)
    assert ring["strip_length_mm"] == [5.5, 8.0]
    assert {item["critical"] for item in ring["checklist"]} == {True, False}
    assert ring["span"]["drawing"].startswith("<svg")
    assert sum(ring["span"]["wire_shares"]) == pytest.approx(1.0)
    assert ring["span"]["from"].startswith("A, ")
    assert run(["connectors", "ring-red", "--wire", "18 AWG"]) == 0
    said = capsys.readouterr().out
    assert "battery disconnected" in said
    # NASA workmanship: 0.25 to 1.25 mm from 18 AWG [seen-2].
    assert "0.25 to 1.25 mm" in said


def test_a_wrong_barrel_exits_1(capsys: pytest.CaptureFixture[str]) -> None:
    wires = ["--wire", "18 AWG", "--wire", "18 AWG"]
    assert run(["connectors", "parallel-splice-blue", *wires]) == 0
    assert run(["connectors", "parallel-splice-red", *wires]) == 1
    assert "WRONG BARREL" in capsys.readouterr().out


def test_joints_for_teaching_only_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["connectors", "twisted-and-taped"]) == 0
    assert "Not an accepted joint, for teaching only." in capsys.readouterr().out


def test_an_unknown_connector_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["connectors", "no-such-thing"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
