"""Looking at the computer for `station doctor`: memory, disk, clock, ports, programs, address."""

import http.client
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from station.cli.doctor_findings import FolderSeen, Holder, MachineSeen
from station.cli.serving import listening, page_answer
from station.errors import AddressTaken

PROC = Path("/proc")
BY_ID = Path("/dev/serial/by-id")
PSEUDO_TERMINALS = Path("/dev/pts")

ANSWER_WITHIN_S = 3.0
OVERLAY_WORDS = ("boot=overlay", "overlayroot=")
"""What the kernel's command line holds where the root is an overlay in memory."""


def machine(proc: Path = PROC) -> MachineSeen:
    """Look at Python and memory."""
    memory = _memory(proc)
    return MachineSeen(
        python=sys.version_info[:2],
        bits=64 if sys.maxsize > 2**32 else 32,
        memory_bytes=memory.get("MemTotal"),
        memory_free_bytes=memory.get("MemAvailable"),
    )


def folder(path: Path, proc: Path = PROC) -> FolderSeen:
    """Look at a folder, or at the nearest one above it that exists: a start makes the rest."""
    path = path.absolute()
    while not path.is_dir():
        if path.exists():
            free = shutil.disk_usage(path).free
            return FolderSeen(str(path), "it is no folder", free, None, False)
        path = path.parent
    kind, on_root = _file_system(path.resolve(), proc)
    overlay = any(word in _text(proc / "cmdline") for word in OVERLAY_WORDS)
    free = shutil.disk_usage(path).free
    return FolderSeen(str(path), _write_trouble(path), free, kind, overlay and on_root)


def address(host: str, port: int) -> tuple[str | None, bool]:
    """Why the page's address cannot be had, None where it can; and whether a station has it."""
    try:
        with listening(host, port):
            return None, False
    except AddressTaken as taken:
        return str(taken), _is_our_page(host, port)


def holders(path: Path, proc: Path = PROC) -> tuple[Holder, ...]:
    """Find the other programs that have a file or device open, as far as this user may look."""
    wanted = str(path.resolve())
    found = []
    for process in _processes(proc):
        if wanted in _open_files(process):
            words = _text(process / "cmdline").split("\0")
            name = _text(process / "comm").strip() or "a program"
            found.append(Holder(int(process.name), name, _is_station(words)))
    return tuple(found)


def is_running(name: str, proc: Path = PROC) -> bool:
    """Whether a program of this name is running."""
    return any(_text(process / "comm").strip() == name for process in _processes(proc))


def is_console(port: str, proc: Path = PROC) -> bool:
    """Whether the system writes its own messages to a serial port."""
    names = {line.split()[0] for line in _text(proc / "consoles").splitlines() if line.strip()}
    return Path(port).resolve().name in names


def is_pseudo_terminal(port: str) -> bool:
    """Whether a port is one that a program plays."""
    return PSEUDO_TERMINALS in Path(port).resolve().parents


def steady_name(port: str, by_id: Path = BY_ID) -> str | None:
    """A name for a port that survives replugging; None where there is none or it is that one."""
    if Path(port).parent == by_id or not by_id.is_dir():
        return None
    device = Path(port).resolve()
    return next((str(link) for link in sorted(by_id.iterdir()) if link.resolve() == device), None)


def _memory(proc: Path) -> dict[str, int]:
    rows = (line.split() for line in _text(proc / "meminfo").splitlines())
    return {row[0].rstrip(":"): int(row[1]) * 1024 for row in rows if row[2:] == ["kB"]}


def _write_trouble(path: Path) -> str | None:
    # Tried, since permissions do not tell: root may all, and a card may be read-only.
    try:
        with tempfile.TemporaryFile(dir=path) as file:
            file.write(b"tried")
    except OSError as error:
        return error.strerror or str(error)
    return None


def _file_system(path: Path, proc: Path) -> tuple[str | None, bool]:
    """The kind of file system that a folder is on, and whether that is the root's."""
    best: tuple[int, str | None, bool] = (0, None, False)
    for line in _text(proc / "self" / "mountinfo").splitlines():
        before, _, after = line.partition(" - ")
        place = Path(before.split()[4].replace("\\040", " "))
        # Of several on one place, the last one is what is seen.
        if (path == place or place in path.parents) and len(place.parts) >= best[0]:
            best = (len(place.parts), after.split()[0], len(place.parts) == 1)
    return best[1], best[2]


def _processes(proc: Path) -> Iterator[Path]:
    numbers = sorted(int(found.name) for found in proc.glob("[0-9]*") if found.name.isdecimal())
    for number in numbers:
        if number != os.getpid():
            yield proc / str(number)


def _open_files(process: Path) -> set[str]:
    try:
        return {str(entry.readlink()) for entry in (process / "fd").iterdir()}
    except OSError:
        return set()  # another user's, or ended meanwhile


def _is_station(words: list[str]) -> bool:
    named = any(Path(word).name == "station" for word in words if word)
    return named and ("serve" in words or "demo" in words)


def _is_our_page(host: str, port: int) -> bool:
    try:
        return b"Crimp station" in page_answer(host, port, "/limits", ANSWER_WITHIN_S)[1]
    except (OSError, http.client.HTTPException):
        return False


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
