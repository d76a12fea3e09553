import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from station.errors import BadInput
from station.files import (
    MOST_BYTES,
    read_text,
    replaced,
    whole_file,
    write_whole,
)

LONG = "text\n" * 2000


@contextmanager
def room_for(size_bytes: int) -> Iterator[None]:
    """Let no file of this process grow beyond a size: writes fail half-way, as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_file_is_written_whole(tmp_path: Path) -> None:
    write_whole(tmp_path / "paper.html", LONG)
    assert [file.name for file in tmp_path.iterdir()] == ["paper.html"]
    assert (tmp_path / "paper.html").read_text() == LONG


def test_a_full_disk_leaves_what_stood_there(tmp_path: Path) -> None:
    path = tmp_path / "paper.html"
    write_whole(path, "old")
    with pytest.raises(BadInput, match="Nothing is left of it"), room_for(4096):
        write_whole(path, LONG)
    assert {file.name: file.read_text() for file in tmp_path.iterdir()} == {"paper.html": "old"}


def test_what_stops_the_writing_leaves_nothing_either(tmp_path: Path) -> None:
    def interrupted() -> None:
        with whole_file(tmp_path / "paper.html") as half:
            half.write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_missing_or_stands_in_the_way_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="could not be written: No such file or directory"):
        write_whole(tmp_path / "no folder" / "paper.html", LONG)
    folder = tmp_path / "paper.html"
    folder.mkdir()
    with pytest.raises(BadInput, match="could not be written: Is a directory"):
        write_whole(folder, LONG)
    assert list(tmp_path.iterdir()) == [folder]


def test_a_link_stays_one_and_a_device_is_written_as_it_comes(tmp_path: Path) -> None:
    link = tmp_path / "link.html"
    link.symlink_to(tmp_path / "paper.html")
    write_whole(link, LONG)
    assert link.is_symlink()
    assert (tmp_path / "paper.html").read_text() == LONG
    write_whole(Path("/dev/null"), LONG)
    with pytest.raises(BadInput, match="No space left on device"):
        write_whole(Path("/dev/full"), LONG)
    assert Path("/dev/full").is_char_device()


def test_what_never_ends_is_not_read_to_its_end(tmp_path: Path) -> None:
    for endless in (Path("/dev/zero"), Path("/dev/full")):
        with pytest.raises(OSError, match="File too large"):
            read_text(endless)
    large = tmp_path / "bench.toml"
    large.write_text("#" * MOST_BYTES)
    assert len(read_text(large)) == MOST_BYTES
    large.write_text("#" * (MOST_BYTES + 1))
    with pytest.raises(OSError, match="File too large"):
        read_text(large)


def test_who_may_read_a_file_is_said_when_it_is_made(tmp_path: Path) -> None:
    path = tmp_path / "secrets"
    with replaced(path, 0o600) as half:
        assert half.stat().st_mode & 0o777 == 0o600
        half.write_text("private")
    assert path.stat().st_mode & 0o777 == 0o600
    write_whole(tmp_path / "paper.html", "for all")
    plain = tmp_path / "plain.html"
    plain.write_text("for all")
    assert (tmp_path / "paper.html").stat().st_mode == plain.stat().st_mode


def test_a_file_is_on_the_disk_before_it_takes_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "paper.html"
    write_whole(path, "old")
    seen: list[str] = []
    monkeypatch.setattr(os, "fsync", lambda _handle: seen.append(path.read_text()))
    write_whole(path, "new")
    assert seen == ["old", "new"]
