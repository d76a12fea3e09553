"""The station as a service: systemd's datagrams, panel, faults by name, and a clean end."""

import os
import select
import signal
import socket
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from station.cli.main import run

PATIENCE_S = 60.0
PANEL = "[panel]\nfootswitch = 5\nguard = 6\n"


class Served:
    """A station that serves on a free port, with a socket that stands for systemd's."""

    def __init__(
        self,
        folder: Path,
        settings: str,
        *arguments: str,
        command: tuple[str, ...] = (),
        **environment: str,
    ) -> None:
        path = folder / "bench.toml"
        path.write_text("port = 0\n" + settings, encoding="utf-8")
        self._told = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._told.bind(str(folder / "systemd"))
        self._told.settimeout(PATIENCE_S)
        ledger = str(folder / "station.ledger")
        serve = ("serve", "--settings", str(path), "--ledger", ledger)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "station", *(command or serve), *arguments],
            stderr=subprocess.PIPE,
            env={**os.environ, "NOTIFY_SOCKET": str(folder / "systemd"), **environment},
        )  # fmt: skip
        self.said = ""

    def told(self) -> str:
        """The next datagram that the station sent to systemd."""
        return self._told.recv(4096).decode()

    def until(self, words: str) -> str:
        assert self.process.stderr is not None
        while words not in self.said:
            ready, _, _ = select.select([self.process.stderr], [], [], PATIENCE_S)
            assert ready, self.said
            chunk = os.read(self.process.stderr.fileno(), 4096).decode()
            assert chunk, f"the station ended before it said {words!r}: {self.said}"
            self.said += chunk
        return self.said

    def get(self, path: str) -> str:
        address = self.until("Ctrl-C").split("http://")[1].split("/")[0]
        with urllib.request.urlopen(f"http://{address}{path}") as answer:
            return str(answer.read().decode())

    def end(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(PATIENCE_S)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()
        self._told.close()


@pytest.fixture
def served(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Served]:
    settings, arguments, environment = request.param
    station = Served(tmp_path, settings, *arguments, **environment)
    yield station
    station.close()


@pytest.mark.parametrize(
    "served", [("", ("--simulate",), {"WATCHDOG_USEC": "400000"})], indirect=True
)
def test_systemd_is_told_ready_alive_and_stopping(served: Served) -> None:
    assert served.told() == "READY=1"
    while (message := served.told()).startswith("STATUS"):
        assert "does not answer" in message  # the page takes a moment longer than the unit
    assert message == "WATCHDOG=1"
    page = served.get("/instruments")
    assert "Simulated: a program plays footswitch, guard and lamps." in page
    assert served.end() == 0
    while (message := served.told()) != "STOPPING=1":
        assert message == "WATCHDOG=1"


@pytest.mark.parametrize("served", [(PANEL, (), {"GPIOZERO_PIN_FACTORY": "lgpio"})], indirect=True)
def test_a_laptop_without_gpio_says_one_line_and_serves(served: Served) -> None:
    lines = served.until("Ctrl-C").splitlines()
    about = [line for line in lines if "panel" in line.lower() or "gpio" in line.lower()]
    assert len(about) == 1
    assert "No panel: this computer's GPIO pins cannot be used" in about[0]
    assert "No panel" in served.get("/instruments")
    assert served.end() == 0


MOCK = {"GPIOZERO_PIN_FACTORY": "mock"}


@pytest.mark.parametrize("served", [(PANEL, ("--simulate",), MOCK)], indirect=True)
def test_mock_pins_mark_the_page_where_they_are_allowed(served: Served) -> None:
    page = served.get("/instruments")
    assert "Simulated: a program plays footswitch, guard and lamps." in page
    # No contact pulls the mock pin of the guard down: a broken wire reads open.
    assert "<dt>Guard</dt><dd>open</dd>" in page
    assert "Simulated instruments" in page
    assert served.end() == 0


def test_mock_pins_are_refused_without_simulate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, value in MOCK.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
    settings = tmp_path / "bench.toml"
    settings.write_text("port = 0\n" + PANEL, encoding="utf-8")
    ledger = str(tmp_path / "station.ledger")
    assert run(["serve", "--settings", str(settings), "--ledger", ledger]) == 2
    assert "start with --simulate" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--fault", "meter=late"), "use it with --simulate"),
        (("--simulate", "--fault", "meter=broken"), "no fault 'broken'"),
        (("--simulate", "--fault", "lamp=late"), "write meter=NAME or tester=NAME"),
    ],
)
def test_a_fault_that_cannot_be_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], says: str
) -> None:
    settings = tmp_path / "bench.toml"
    settings.write_text("port = 0\n", encoding="utf-8")
    ledger = str(tmp_path / "station.ledger")
    assert run(["serve", "--settings", str(settings), "--ledger", ledger, *arguments]) == 2
    assert says in capsys.readouterr().err


def test_a_dialect_that_nobody_plays_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "bench.toml"
    settings.write_text(
        'port = 0\n[meter]\nport = "/dev/null"\nprofile = "meter-of-the-moon"\n', encoding="utf-8"
    )
    ledger = str(tmp_path / "station.ledger")
    assert run(["serve", "--settings", str(settings), "--simulate", "--ledger", ledger]) == 2
    assert "No simulator speaks the dialect of meter-of-the-moon" in capsys.readouterr().err


OWN_PLAN = (
    'id = "ours"\njob = "daily_check"\ntitle = "Ours"\nstanding = "invented"\n'
    'reasoning = ["Invented."]\nlimit_set = "of-the-moon"\nfirst_stage = 3\nsecond_stage = 5\n'
)


@pytest.mark.parametrize("simulated", [(), ("--simulate",)])
@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('limits.mm2.pull = ["of-the-moon"]', "limits names 'of-the-moon'"),
        ('limit_sets_folder = "/nowhere/sets"', "/nowhere/sets cannot be read"),
        ('connectors_folder = "/nowhere/parts"', "/nowhere/parts cannot be read"),
        ('plans_folder = "/nowhere/plans"', "/nowhere/plans cannot be read"),
        ('plans_folder = "{folder}"', "The plan ours names the limit set 'of-the-moon'"),
        ('standards_folder = "/nowhere/standards"', "There is no folder /nowhere/standards"),
    ],
)
def test_what_the_settings_name_is_looked_up_at_the_start(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    simulated: tuple[str, ...],
    text: str,
    says: str,
) -> None:
    plans = tmp_path / "plans"
    plans.mkdir()
    (plans / "ours.toml").write_text(OWN_PLAN, encoding="utf-8")
    settings = tmp_path / "bench.toml"
    settings.write_text("port = 0\n" + text.format(folder=plans), encoding="utf-8")
    ledger = str(tmp_path / "station.ledger")
    code = run(["serve", "--settings", str(settings), "--ledger", ledger, *simulated])
    assert (code, says in capsys.readouterr().err) == (2, True)


@pytest.mark.parametrize(
    ("role", "profile"), [("meter", "of-the-moon"), ("tester", "meter-scpi-plain")]
)
def test_a_profile_that_does_not_fit_is_found_at_the_start(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], role: str, profile: str
) -> None:
    settings = tmp_path / "bench.toml"
    settings.write_text(
        f'port = 0\n[{role}]\nport = "/dev/null"\nprofile = "{profile}"\n', encoding="utf-8"
    )
    ledger = str(tmp_path / "station.ledger")
    assert run(["serve", "--settings", str(settings), "--ledger", ledger]) == 2
    assert f"profile '{profile}'" in capsys.readouterr().err


SLOW = '[tester]\nport = "/dev/null"\nprofile = "tester-stream-bare"\n'


@pytest.mark.parametrize(
    "served", [(SLOW, ("--simulate", "--fault", "meter=silent"), {})], indirect=True
)
def test_faults_and_dialects_are_chosen_by_name(served: Served) -> None:
    page = served.get("/instruments")
    while "sent nothing" not in page:
        # As often as somebody asks who waits for it: without end it keeps the station busy.
        threading.Event().wait(0.2)
        page = served.get("/instruments")
    assert "tester-stream-bare" in page
    assert served.end() == 0
