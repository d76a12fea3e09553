import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput, InstrumentSilent, PortLost
from station.instruments.dialects import LineSettings
from station.instruments.port import LinePort
from station.simulation.launch import InstrumentName, SimulatedInstrument
from station.simulation.service import Pace
from tests.station.instruments.fakes import wait_until

LINE = LineSettings(baud=9600)
LONG_S = 20.0


@pytest.fixture(scope="module", autouse=True)
def _processes_of_their_own() -> Iterator[None]:
    with patch("station.simulation.launch.subprocess", subprocess):
        yield


@pytest.fixture(scope="module")
def simulated() -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("meter", arguments=("--serial-number", "0042")) as instrument:
        yield instrument


def test_it_answers_on_its_port_before_and_after_a_reopening(
    simulated: SimulatedInstrument,
) -> None:
    for _ in range(2):
        with LinePort(simulated.port, LINE, name="meter") as port:
            port.send(b"*IDN?\n")
            assert port.next_line(LONG_S).data == b"CRIMP STATION,SIMULATED METER,0042,1"


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ({"fault": "fire"}, "no fault 'fire'; there are none, late"),
        ({"mount": {"splice_ohm": "much"}}, "No such specimen: splice_ohm"),
        ({"dance": True}, "mount, unmount or power_cycle"),
    ],
)
def test_what_its_operator_cannot_do(
    simulated: SimulatedInstrument, command: dict[str, object], words: str
) -> None:
    with pytest.raises(BadInput, match=words):
        simulated.command(command)


def take(port: LinePort, lines: int, within_s: float) -> list[bytes]:
    return [port.next_line(within_s).data for _ in range(lines)]


def test_silence_and_dribble(simulated: SimulatedInstrument) -> None:
    with LinePort(simulated.port, LINE, name="meter") as port:
        for fault in ("silent", "dribbled"):
            simulated.command({"fault": fault})
            port.send(b"*OPC?\n*OPC?\n*OPC?\n*OPC?\n")
            with pytest.raises(InstrumentSilent):
                take(port, lines=4, within_s=0.2)
            simulated.command({"fault": "none"})


def test_garble_changes_bytes_and_loses_none() -> None:
    identity = b"CRIMP STATION,SIMULATED METER,0001,1\n"
    heard = bytearray()

    def listen(direction: str, data: bytes) -> None:
        heard.extend(data if direction == "in" else b"")

    with (
        SimulatedInstrument("meter", paced=False) as simulated,
        LinePort(simulated.port, LINE, name="meter", on_bytes=listen) as port,
    ):
        simulated.command({"fault": "garbled"})
        port.send(b"*IDN?\n")
        wait_until(lambda: len(heard) >= len(identity))
        assert len(heard) == len(identity)
        assert heard != identity


@pytest.mark.parametrize("name", ["meter", "pull_tester"])
def test_ending_it_ends_its_port(name: InstrumentName) -> None:
    instrument = SimulatedInstrument(name, paced=False)
    assert Path(instrument.port).exists()
    instrument.close()
    instrument.close()
    assert not Path(instrument.port).exists()
    with pytest.raises(PortLost, match="has ended"):
        instrument.command({"mount": {}})


def test_an_unplugged_one_may_be_plugged_in_again_under_its_name(tmp_path: Path) -> None:
    link = tmp_path / "meter-by-id"
    with SimulatedInstrument("meter", paced=False, link=link) as instrument:
        with pytest.raises(BadInput, match="is plugged in"):
            instrument.command({"plug": "0002"})
        instrument.command({"fault": "unplugged"})
        assert not link.exists()
        with pytest.raises(BadInput, match="plug it in first"):
            instrument.command({"fault": "none"})
        instrument.command({"plug": "0002"})
        with LinePort(str(link), LINE, name="meter") as port:
            port.send(b"*IDN?\n")
            assert b",0002," in port.next_line(LONG_S).data


def held_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_one_that_cannot_start_says_so(capfd: pytest.CaptureFixture[str]) -> None:
    before = held_files()
    with pytest.raises(PortLost, match="has ended"):
        SimulatedInstrument("meter", arguments=("--no-such-option",))
    assert "--no-such-option" in capfd.readouterr().err
    assert held_files() == before


@given(
    st.floats(10, 1e5),
    st.lists(st.tuples(st.integers(0, 500), st.floats(1e-4, 0.5)), min_size=1, max_size=30),
)
def test_bytes_leave_no_faster_than_the_line_and_all_of_them(
    bytes_per_s: float, said: list[tuple[int, float]]
) -> None:
    pace, now_s, waiting, left = Pace(bytes_per_s), 0.0, 0, 0
    for count, pause_s in said:
        waiting += count
        out = pace.allowed(waiting, now_s)
        waiting, left = waiting - out, left + out
        # A byte may leave at once, then one per byte time.
        assert left <= now_s * bytes_per_s + 1 + 1e-6 * left
        now_s += pause_s
    while waiting:
        now_s = max(now_s, pace.free_s) + 1.0
        out = pace.allowed(waiting, now_s)
        assert out > 0
        waiting -= out


def test_started_in_the_background_it_says_why_it_ends() -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "station.simulation.meter"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=LONG_S, check=False,
    )  # fmt: skip
    assert "ends, because its input is closed: start it in a terminal" in ended.stderr


def test_ended_by_its_station_it_says_nothing() -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "station.simulation.meter"],
        input="", capture_output=True, text=True, timeout=LONG_S, check=False,
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, "")
