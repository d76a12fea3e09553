"""Set-ups broken on purpose, each named by the doctor; and a sound one, in which nothing is."""

import json
import socket
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.instruments.port import LinePort
from station.instruments.profiles import load_meter_profile
from station.ledger.chain import Moment
from station.ledger.entries import PersonAdded, SampleBegun
from station.ledger.store import Ledger
from station.simulation.launch import SimulatedInstrument
from tests.doors import PASSPHRASE, give_secret
from tests.station.instruments.fakes import FarEnd
from tests.station.ledger.invented_entries import CALIBRATED, CHECKED, JOINT

Captured = pytest.CaptureFixture[str]

METER = "meter-scpi-plain"
ANN = PersonAdded(name="Ann Example", role="lead")


class Setup:
    """A bench's folder: settings, ledger, and what is to be let go of at the end."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder = folder
        self.ledger = folder / "station.ledger"
        self.stack = stack
        self.settings = 'port = 0\nledger = "' + str(self.ledger) + '"\n'
        with Ledger.open(self.ledger) as ledger:
            ledger.append(ANN, person=ANN.name)
            give_secret(ledger, ANN.name, PASSPHRASE)

    def write(self) -> Path:
        path = self.folder / "bench.toml"
        path.write_text(self.settings, encoding="utf-8")
        return path

    def append(self, *payloads: Any, **moment: Any) -> None:
        with Ledger.open(self.ledger) as ledger:
            for payload in payloads:
                ledger.append(payload, person=ANN.name, **moment)

    def meter(self, port: str, profile: str = METER, more: str = "") -> None:
        self.settings += f'[meter]\nport = "{port}"\nprofile = "{profile}"\n{more}'


@pytest.fixture(name="bench")
def sound_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Setup]:
    monkeypatch.setenv("STATION_HOME", str(tmp_path))
    with ExitStack() as stack:
        yield Setup(tmp_path, stack)


def examined(capsys: Captured, bench: Setup, *arguments: str) -> tuple[int, list[dict[str, str]]]:
    code = run(["doctor", "--settings", str(bench.write()), "--json", *arguments])
    return code, json.loads(capsys.readouterr().out)["findings"]


def test_a_sound_bench_has_nothing_wrong(bench: Setup, capsys: Captured) -> None:
    with (
        SimulatedInstrument("meter", profile=METER, paced=False) as meter,
        SimulatedInstrument("pull_tester", profile="tester-stream-newton", paced=False) as tester,
    ):
        bench.meter(meter.port)
        bench.settings += f'[tester]\nport = "{tester.port}"\nprofile = "tester-stream-newton"\n'
        code, found = examined(capsys, bench)
    assert [row for row in found if row["state"] == "wrong"] == []
    assert code == 0
    said = {row["name"]: row["sentence"] for row in found if row["area"] == "instruments"}
    assert "answers as meter-scpi-plain says" in said["milliohm meter"]
    assert "answers as tester-stream-newton says" in said["pull tester"]
    # They answer, and nobody calibrated them.
    states = {row["state"] for row in found if row["area"] == "calibration"}
    assert states == {"look at it"}


# ---- ways to break it ---------------------------------------------------------------------------


def wrong_key(bench: Setup) -> None:
    bench.settings += 'limitset = "shop"\n'


def unknown_limit_set(bench: Setup) -> None:
    bench.settings += 'limits.mm2.pull = ["of-the-moon"]\n'


def one_set_for_all(bench: Setup) -> None:
    bench.settings += 'limit_set = "ul-486a-1991"\n'


def lost_limit_sets(bench: Setup) -> None:
    bench.settings += 'limit_sets_folder = "/nowhere/sets"\n'


def lost_standards(bench: Setup) -> None:
    bench.settings += 'standards_folder = "/nowhere/standards"\n'


def wrong_plan(bench: Setup) -> None:
    plans = bench.folder / "plans"
    plans.mkdir()
    (plans / "ours.toml").write_text('id = "theirs"\njob = "certification"\n', encoding="utf-8")
    bench.settings += f'plans_folder = "{plans}"\n'


def plan_of_lost_limits(bench: Setup) -> None:
    plans = bench.folder / "plans"
    plans.mkdir()
    (plans / "ours.toml").write_text(
        'id = "ours"\njob = "daily_check"\ntitle = "Ours"\nstanding = "invented"\n'
        'reasoning = []\nfirst_stage = 3\nsecond_stage = 5\nlimit_set = "of-the-moon"\n',
        encoding="utf-8",
    )
    bench.settings += f'plans_folder = "{plans}"\n'


def unknown_profile(bench: Setup) -> None:
    bench.meter(bench.stack.enter_context(FarEnd()).path, "meter-of-the-moon")


def missing_port(bench: Setup) -> None:
    bench.meter("/dev/ttyUSB99")


def busy_port(bench: Setup) -> None:
    far = bench.stack.enter_context(FarEnd())
    line = load_meter_profile(METER).line
    bench.stack.enter_context(LinePort(far.path, line, name="another program's meter"))
    bench.meter(far.path)


def one_port_for_both(bench: Setup) -> None:
    far = bench.stack.enter_context(FarEnd())
    bench.meter(far.path)
    bench.settings += f'[tester]\nport = "{far.path}"\nprofile = "tester-stream-newton"\n'


def silent_meter(bench: Setup) -> None:
    bench.meter(bench.stack.enter_context(FarEnd()).path)


def another_meter(bench: Setup) -> None:
    far = bench.stack.enter_context(SimulatedInstrument("meter", profile=METER, paced=False))
    bench.meter(far.port, more='serial_number = "7777"\n')


def taken_address(bench: Setup) -> None:
    other = bench.stack.enter_context(socket.socket())
    other.bind(("127.0.0.1", 0))
    other.listen(1)
    bench.settings = bench.settings.replace("port = 0", f"port = {other.getsockname()[1]}")


def mock_pins(bench: Setup) -> None:
    patch = bench.stack.enter_context(pytest.MonkeyPatch.context())
    patch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    patch.setattr("gpiozero.Device.pin_factory", None)
    bench.settings += "[panel]\n"


def no_pins(bench: Setup) -> None:
    patch = bench.stack.enter_context(pytest.MonkeyPatch.context())
    patch.setenv("GPIOZERO_PIN_FACTORY", "lgpio")
    patch.setattr("gpiozero.Device.pin_factory", None)
    bench.settings += "[panel]\n"


def late_clock(bench: Setup) -> None:
    future = Moment(datetime.now(UTC) + timedelta(days=2), False, "invented", 1.0)
    bench.append(ANN, moment=future)


def unwritable_folder(bench: Setup) -> None:
    bench.ledger = Path("/proc/self/station.ledger")  # where nobody can make a file
    bench.settings = f'port = 0\nledger = "{bench.ledger}"\n'


def no_ledger_at_all(bench: Setup) -> None:
    bench.ledger.write_bytes(b"no ledger, a shopping list")


def changed_entry(bench: Setup) -> None:
    with closing(sqlite3.connect(bench.ledger)) as file:
        file.execute("DROP TRIGGER entry_no_update")
        file.execute("UPDATE entry SET person = 'Somebody Else' WHERE seq = 1")
        file.commit()


def cut_ledger(bench: Setup) -> None:
    with closing(sqlite3.connect(bench.ledger)) as file:
        file.execute("DROP TRIGGER entry_no_delete")
        file.execute("DELETE FROM entry WHERE seq = (SELECT max(seq) FROM entry)")
        file.commit()


def another_benchs_ledger(bench: Setup) -> None:
    bench.settings += 'bench = "bench-7"\n'


def locked_ledger(bench: Setup) -> None:
    file = bench.stack.enter_context(
        closing(sqlite3.connect(bench.ledger, isolation_level=None, check_same_thread=False))
    )
    file.execute("BEGIN IMMEDIATE")


def demo_mixed_in(bench: Setup) -> None:
    begun = SampleBegun(job="invented", joint=JOINT, limit_set="ul-486a-1991")
    bench.append(begun, begun.model_copy(update={"demo": True}))


def overdue_calibration(bench: Setup) -> None:
    bench.append(CALIBRATED.model_copy(update={"due_on": date(2025, 1, 31)}))


def failed_check(bench: Setup) -> None:
    bench.append(
        CALIBRATED.model_copy(update={"due_on": date(2999, 1, 31)}),
        CHECKED.model_copy(update={"passed": False, "reason": "too far off"}),
    )


def open_to_the_network(bench: Setup) -> None:
    with Ledger.open(bench.ledger) as ledger:
        give_secret(ledger, ANN.name, "480913")  # a PIN, which is good at the bench only
    bench.settings += 'host = "0.0.0.0"\n'


def readable_secrets(bench: Setup) -> None:
    bench.ledger.with_name("station.ledger.secrets").chmod(0o644)


def damaged_secrets(bench: Setup) -> None:
    bench.ledger.with_name("station.ledger.secrets").write_text("{", encoding="utf-8")


BROKEN: tuple[tuple[Callable[[Setup], None], str, str], ...] = (
    (wrong_key, "settings", "limitset is no key that belongs there (the nearest is limits)"),
    (unknown_limit_set, "settings", "no limit set 'of-the-moon'"),
    (one_set_for_all, "settings", "name your sets under [limits.awg_and_sae] and [limits.mm2]"),
    (lost_limit_sets, "settings", "/nowhere/sets cannot be read"),
    (lost_standards, "settings", "There is no folder /nowhere/standards"),
    (wrong_plan, "settings", "ours.toml"),
    (plan_of_lost_limits, "settings", "The plan ours names the limit set 'of-the-moon'"),
    (unknown_profile, "settings", "no instrument profile 'meter-of-the-moon'"),
    (missing_port, "ports", "plug in the adapter"),
    (busy_port, "ports", "held by another program"),
    (one_port_for_both, "ports", "Both instruments are set to"),
    (silent_meter, "instruments", "sent nothing"),
    (another_meter, "instruments", "not '7777'"),
    (taken_address, "page", "stop the program that has it"),
    (mock_pins, "panel", "GPIOZERO_PIN_FACTORY=mock"),
    (no_pins, "panel", "GPIO pins cannot be used"),
    (late_clock, "clock", "set the clock before the next sample"),
    (unwritable_folder, "disk", "Nothing can be written in /proc/self"),
    (no_ledger_at_all, "ledger", "not a sound ledger"),
    (changed_entry, "ledger", "its content does not match its hash"),
    (cut_ledger, "ledger", "the record ends at entry"),
    (another_benchs_ledger, "ledger", "the settings say bench-7"),
    (locked_ledger, "ledger", "locked by another program"),
    (demo_mixed_in, "ledger", "holds invented samples of the demo"),
    (overdue_calibration, "calibration", "due"),
    (failed_check, "calibration", "too far off"),
    (open_to_the_network, "people", "no lead has a passphrase"),
    (readable_secrets, "people", "chmod 600"),
    (damaged_secrets, "people", "are damaged"),
)


@pytest.mark.parametrize(
    ("break_it", "area", "says"), BROKEN, ids=[row[0].__name__ for row in BROKEN]
)
def test_each_broken_set_up_is_named(
    bench: Setup, capsys: Captured, break_it: Callable[[Setup], None], area: str, says: str
) -> None:
    break_it(bench)
    code, found = examined(capsys, bench)
    wrong = [row for row in found if row["state"] == "wrong"]
    assert code == 1
    assert [row for row in wrong if row["area"] == area and says in row["sentence"]], wrong
    # The one thing that is wrong is named, and nothing that is not.
    assert {row["area"] for row in wrong} == {area}
    assert all(row["sentence"].endswith(".") for row in found)


# ---- what is only to be looked at ---------------------------------------------------------------


def unfinished_sample(bench: Setup) -> None:
    bench.append(SampleBegun(job="invented", joint=JOINT, limit_set="ul-486a-1991"))


def unverified_limits(bench: Setup) -> None:
    bench.settings += 'limits.mm2.pull = ["abyc-e11-memory"]\n'


def simulated_meter(bench: Setup) -> None:
    far = bench.stack.enter_context(SimulatedInstrument("meter", profile=METER, paced=False))
    bench.meter(far.port, more="simulated = true\n")


@pytest.mark.parametrize(
    ("arrange", "area", "says"),
    [
        (unfinished_sample, "ledger", "1 sample begun and not finished"),
        (unverified_limits, "settings", "unverified, from memory"),
        (simulated_meter, "instruments", "set as simulated"),
    ],
)
def test_what_needs_a_look_is_not_wrong(
    bench: Setup, capsys: Captured, arrange: Callable[[Setup], None], area: str, says: str
) -> None:
    arrange(bench)
    code, found = examined(capsys, bench)
    assert code == 0
    to_look_at = [row["sentence"] for row in found if row["state"] == "look at it"]
    assert [sentence for sentence in to_look_at if says in sentence]


def test_without_asking_no_port_is_opened(bench: Setup, capsys: Captured) -> None:
    silent_meter(bench)
    code, found = examined(capsys, bench, "--no-ask")
    assert code == 0
    assert not [row for row in found if row["name"] == "milliohm meter"]


def test_a_bench_before_its_first_start(bench: Setup, capsys: Captured) -> None:
    bench.settings = f'port = 0\nledger = "{bench.folder / "new" / "first.ledger"}"\n'
    code, found = examined(capsys, bench)
    assert code == 0
    assert [row for row in found if "the first start makes it" in row["sentence"]]
    assert not (bench.folder / "new").exists()


def test_people_read_lines_and_a_count(bench: Setup, capsys: Captured) -> None:
    unknown_limit_set(bench)
    assert run(["doctor", "--settings", str(bench.write())]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if line.startswith("WRONG")] == [
        line for line in lines if "of-the-moon" in line
    ]
    assert lines[-1].startswith("1 wrong, ")


def test_settings_that_are_not_there_are_bad_input(tmp_path: Path, capsys: Captured) -> None:
    assert run(["doctor", "--settings", str(tmp_path / "no.toml")]) == 2
    assert "name the settings of this bench" in capsys.readouterr().err


def test_nothing_is_changed(bench: Setup, capsys: Captured) -> None:
    before = _files(bench.folder)
    with Ledger.open(bench.ledger) as ledger:
        entries = ledger.reader.counts().entries
    examined(capsys, bench)
    bench.folder.joinpath("bench.toml").unlink()
    assert _files(bench.folder) == before
    with Ledger.open(bench.ledger) as ledger:
        assert ledger.reader.counts().entries == entries


def _files(folder: Path) -> list[str]:
    # SQLite leaves its two companions beside a ledger that was read last.
    return sorted(p.name for p in folder.iterdir() if not p.name.endswith(("-wal", "-shm")))
