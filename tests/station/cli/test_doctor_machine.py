"""Looking at a computer, on an invented /proc and /dev."""

import os
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from station.cli import doctor_machine as looks
from station.cli.doctor_findings import Holder

MOUNTS = """\
22 1 179:2 / / ro,relatime - ext4 /dev/root rw
23 22 0:30 / /mnt/a\\040disk rw - nfs4 server:/share rw
24 22 0:31 / /run rw - tmpfs tmpfs rw
"""


@pytest.fixture(name="proc")
def invented_proc(tmp_path: Path) -> Path:
    """A /proc with a station, a terminal program and ModemManager."""
    proc = tmp_path / "proc"
    (proc / "self").mkdir(parents=True)
    (proc / "meminfo").write_text("MemTotal:  1000 kB\nMemAvailable:  400 kB\nHugePages: 0\n")
    (proc / "consoles").write_text("ttyS0   -W- (EC p a)  4:64\ntty0  -WU (EC  p  )  4:1\n")
    (proc / "cmdline").write_text("console=serial0,115200 root=/dev/root rootwait\n")
    (proc / "self" / "mountinfo").write_text(MOUNTS)
    for number, name, words in (
        (7, "ModemManager", "/usr/sbin/ModemManager"),
        (8, "station", "/opt/x/bin/python\0/opt/x/bin/station\0serve\0--settings\0bench.toml"),
        (9, "terminal", "terminal\0/dev/ttyUSB0"),
        (10, "station", "/opt/x/bin/python\0/opt/x/bin/station\0ledger\0verify"),
    ):
        (proc / str(number) / "fd").mkdir(parents=True)
        (proc / str(number) / "comm").write_text(name + "\n")
        (proc / str(number) / "cmdline").write_text(words + "\0")
    return proc


def test_memory_is_in_bytes(proc: Path) -> None:
    seen = looks.machine(proc)
    assert (seen.memory_bytes, seen.memory_free_bytes) == (1_024_000, 409_600)
    assert looks.machine(proc / "none").memory_bytes is None


def test_this_machine_is_one_that_the_station_runs_on() -> None:
    seen = looks.machine()
    assert seen.bits == 64
    assert seen.memory_bytes is not None


def test_who_holds_a_device_is_found_by_its_open_files(proc: Path, tmp_path: Path) -> None:
    device, link = tmp_path / "ttyUSB0", tmp_path / "by-name"
    device.touch()
    link.symlink_to(device)
    assert looks.holders(link, proc) == ()
    for number in (8, 9, 10):
        (proc / str(number) / "fd" / "3").symlink_to(device)
    assert looks.holders(link, proc) == (
        Holder(8, "station", True),
        Holder(9, "terminal", False),
        Holder(10, "station", False),
    )


def test_only_programs_that_run_are_running(proc: Path) -> None:
    assert looks.is_running("ModemManager", proc)
    assert not looks.is_running("Modem", proc)


def test_this_program_does_not_count_as_a_holder(tmp_path: Path) -> None:
    with (tmp_path / "held").open("w"):
        assert os.getpid() not in {h.process_id for h in looks.holders(tmp_path / "held")}


def test_a_console_is_known_by_any_name_of_its_port(proc: Path, tmp_path: Path) -> None:
    assert looks.is_console("/dev/ttyS0", proc)
    (tmp_path / "serial0").symlink_to("/dev/ttyS0")
    assert looks.is_console(str(tmp_path / "serial0"), proc)
    assert not looks.is_console("/dev/ttyUSB0", proc)


def test_a_steady_name_is_offered_for_a_passing_one(tmp_path: Path) -> None:
    device, by_id = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    assert looks.steady_name(str(device), by_id) is None
    by_id.mkdir()
    (by_id / "usb-invented").symlink_to(device)
    assert looks.steady_name(str(device), by_id) == str(by_id / "usb-invented")
    assert looks.steady_name(str(by_id / "usb-invented"), by_id) is None
    assert looks.steady_name(str(tmp_path / "other"), by_id) is None


def test_a_folder_is_judged_by_the_nearest_that_exists(tmp_path: Path) -> None:
    seen = looks.folder(tmp_path / "not" / "yet")
    assert (seen.path, seen.trouble, seen.forgets) == (str(tmp_path), None, False)
    assert seen.free_bytes > 0
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").touch()
    assert looks.folder(tmp_path / "file" / "in").trouble == "it is no folder"


def test_a_folder_that_takes_no_file_says_why() -> None:
    # Nobody can make a file in /proc, root included.
    assert looks.folder(Path("/proc/self")).trouble


def test_an_overlay_in_memory_forgets_only_what_is_on_the_root(proc: Path, tmp_path: Path) -> None:
    (proc / "cmdline").write_text("boot=overlay root=/dev/root\n")
    assert looks.folder(tmp_path, proc).forgets
    mount = f"30 22 8:1 / {tmp_path} rw - ext4 /dev/sda1 rw\n"
    (proc / "self" / "mountinfo").write_text(MOUNTS + mount)
    seen = looks.folder(tmp_path, proc)
    assert (seen.file_system, seen.forgets) == ("ext4", False)


@pytest.fixture(name="answering")
def server(request: pytest.FixtureRequest) -> Iterator[int]:
    """A program that answers every request with the same page; its port."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()
            self.wfile.write(request.param)

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Answer) as listener:
        thread = threading.Thread(target=listener.serve_forever)
        thread.start()
        yield listener.server_port
        listener.shutdown()
        thread.join()


@pytest.mark.parametrize(
    ("answering", "ours"),
    [(b"<title>Limits - Crimp station</title>", True), (b"<title>Anything</title>", False)],
    indirect=["answering"],
)
def test_a_taken_address_tells_whether_a_station_has_it(answering: int, ours: bool) -> None:
    trouble, station_answers = looks.address("127.0.0.1", answering)
    assert trouble is not None
    assert station_answers is ours


def test_a_free_address_is_free() -> None:
    assert looks.address("127.0.0.1", 0) == (None, False)
