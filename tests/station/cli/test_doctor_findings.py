"""What is the matter, from what was seen. Thresholds are the project's own choice, no source."""

import ast
import string
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from station.cli import doctor_findings as doctor
from station.cli.doctor_findings import (
    DoctorFinding,
    FolderSeen,
    Holder,
    MachineSeen,
    PortSeen,
    Severity,
)

MACHINE = MachineSeen((3, 12), 64, 4_000_000_000, 3_000_000_000)
FOLDER = FolderSeen("/var/lib/bench", None, 20_000_000_000, "ext4", False)
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
PORT = PortSeen("milliohm meter", "/dev/serial/by-id/invented")
STATION = Holder(31, "station", True)
TERMINAL = Holder(32, "terminal", False)


def not_good(found: list[DoctorFinding]) -> list[tuple[str, Severity]]:
    return [(f.name, f.state) for f in found if f.state is not Severity.GOOD]


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        (MACHINE, []),
        (replace(MACHINE, python=(3, 10)), [("Python", Severity.WRONG)]),
        (replace(MACHINE, python=(3, 14)), [("Python", Severity.WRONG)]),
        (replace(MACHINE, bits=32), [("system", Severity.WRONG)]),
        (replace(MACHINE, memory_free_bytes=90_000_000), [("memory", Severity.LOOK)]),
        (replace(MACHINE, memory_free_bytes=None), []),
    ],
)
def test_machine(seen: MachineSeen, expected: list[tuple[str, Severity]]) -> None:
    assert not_good(list(doctor.of_machine(seen))) == expected


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, []),
        ({"trouble": "Read-only file system"}, [("writing", Severity.WRONG)]),
        ({"file_system": "nfs4"}, [("writing", Severity.WRONG)]),
        ({"file_system": "overlay", "forgets": True}, [("writing", Severity.WRONG)]),
        ({"file_system": "tmpfs"}, [("writing", Severity.LOOK)]),
        ({"free_bytes": 300_000_000}, [("room", Severity.LOOK)]),
        ({"free_bytes": 20_000_000}, [("room", Severity.WRONG)]),
    ],
)
def test_disk(changes: dict[str, object], expected: list[tuple[str, Severity]]) -> None:
    assert not_good(list(doctor.of_folder(replace(FOLDER, **changes)))) == expected  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("now", "synced", "last_entry", "expected"),
    [
        (NOON, True, NOON - timedelta(hours=3), []),
        (NOON, True, None, []),
        (NOON, False, NOON, [("set from the network", Severity.LOOK)]),
        (NOON, True, NOON + timedelta(hours=1), [("date", Severity.WRONG)]),
        (NOON, True, NOON + timedelta(seconds=20), []),
        (NOON, True, NOON - timedelta(days=500), [("date", Severity.LOOK)]),
        (datetime(1970, 1, 1, tzinfo=UTC), True, None, [("date", Severity.WRONG)]),
    ],
)
def test_clock(
    now: datetime,
    synced: bool,
    last_entry: datetime | None,
    expected: list[tuple[str, Severity]],
) -> None:
    found = doctor.of_clock(now, synced=synced, last_entry=last_entry)
    assert not_good(list(found)) == expected


NAME = "port of the milliohm meter"


@pytest.mark.parametrize(
    ("ports", "modem_manager", "expected"),
    [
        ([PORT], False, []),
        ([], True, []),
        ([PORT], True, [("ModemManager", Severity.LOOK)]),
        ([replace(PORT, console=True)], False, [(NAME, Severity.WRONG)]),
        ([replace(PORT, holders=(STATION,))], False, []),
        ([replace(PORT, holders=(TERMINAL,))], False, [(NAME, Severity.WRONG)]),
        ([replace(PORT, trouble="It is not there.")], False, [(NAME, Severity.WRONG)]),
        ([replace(PORT, port="/dev/ttyUSB0", steady_name="/dev/serial/by-id/invented")], False,
         [("name of the milliohm meter's port", Severity.LOOK)]),
        ([PORT, replace(PORT, instrument="pull tester")], False, [("one each", Severity.WRONG)]),
    ],
)  # fmt: skip
def test_ports(
    ports: list[PortSeen], modem_manager: bool, expected: list[tuple[str, Severity]]
) -> None:
    assert not_good(list(doctor.of_ports(ports, modem_manager))) == expected


def test_who_holds_a_port_is_named() -> None:
    (found,) = doctor.of_ports([replace(PORT, holders=(TERMINAL,))], False)
    assert "terminal (process 32)" in found.sentence


@pytest.mark.parametrize(
    ("trouble", "station_answers", "state"),
    [
        (None, False, Severity.GOOD),
        ("It is taken.", True, Severity.GOOD),
        ("It is taken.", False, Severity.WRONG),
    ],
)
def test_address(trouble: str | None, station_answers: bool, state: Severity) -> None:
    found = doctor.of_address("127.0.0.1", 8000, trouble, station_answers=station_answers)
    assert found.state is state


@pytest.mark.parametrize(
    ("leads_here", "leads_on_network", "on_network", "expected"),
    [
        (1, 1, False, []),
        (0, 0, False, [("leads", Severity.LOOK)]),
        (1, 1, True, []),
        (1, 0, True, [("leads", Severity.WRONG)]),
    ],
)
def test_people(
    leads_here: int, leads_on_network: int, on_network: bool, expected: list[tuple[str, Severity]]
) -> None:
    found = doctor.of_people(leads_here, leads_on_network, on_network=on_network)
    assert not_good(list(found)) == expected


@pytest.mark.parametrize(
    ("found", "state"),
    [
        (doctor.of_tail("a", 1, 1, None, "9:0a1b"), Severity.GOOD),
        (doctor.of_tail("a", 9, 9, "entry 4: changed", "9:0a1b"), Severity.WRONG),
        (doctor.of_writers("a", []), Severity.GOOD),
        (doctor.of_writers("a", [STATION, TERMINAL]), Severity.GOOD),
        (doctor.of_writers("a", [STATION, replace(STATION, process_id=33)]), Severity.WRONG),
        (doctor.of_invented("a", invented=False, real=True, for_work=True), Severity.GOOD),
        (doctor.of_invented("a", invented=True, real=False, for_work=False), Severity.LOOK),
        (doctor.of_invented("a", invented=True, real=True, for_work=False), Severity.WRONG),
        (doctor.of_invented("a", invented=True, real=False, for_work=True), Severity.WRONG),
        (doctor.of_unfinished(0), Severity.GOOD),
        (doctor.of_unfinished(1), Severity.LOOK),
    ],
)
def test_ledger(found: DoctorFinding, state: Severity) -> None:
    assert found.state is state
    assert found.sentence.endswith(".")


def told_in_the_source() -> list[ast.Call]:
    folder = Path(doctor.__file__).parent
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in folder.glob("doctor*.py")]
    nodes = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [node for node in nodes if ast.unparse(node.func) == "told"]


def named_cases(node: ast.expr) -> set[str]:
    """Cases that stand in a call; none where a variable holds them."""
    if isinstance(node, ast.IfExp):
        return named_cases(node.body) | named_cases(node.orelse)
    return {ast.literal_eval(node)} if isinstance(node, ast.Constant) else set()


def test_every_sentence_is_told_with_what_fills_it() -> None:
    told: dict[tuple[str, str], set[str]] = {}
    calls = sorted(told_in_the_source(), key=lambda call: not named_cases(call.args[2]))
    for call in calls:
        area, name = (ast.literal_eval(place) for place in call.args[:2])
        shipped = doctor.sentences()[area][name]
        before = told.setdefault((area, name), set())
        cases = named_cases(call.args[2]) or shipped.keys() - before
        told[area, name] = before | cases
        given = {keyword.arg for keyword in call.keywords}
        for form in (name, *(shipped[case] for case in cases)):
            holes = {hole.split(".")[0] for _, hole, _, _ in string.Formatter().parse(form) if hole}
            assert holes <= given, form
    for area, names in doctor.sentences().items():
        for name, shipped in names.items():
            assert told.pop((area, name)) == shipped.keys()
    assert not told


def test_numbers_read_on() -> None:
    assert "1 entry up to 9:0a1b;" in doctor.of_tail("a", 1, 1, None, "9:0a1b").sentence
    assert "2 entries up to 9:0a1b;" in doctor.of_tail("a", 2, 2, None, "9:0a1b").sentence
    found = [doctor.of_unfinished(1), doctor.of_unfinished(0)]
    assert [finding.state for finding in found] == [Severity.LOOK, Severity.GOOD]
