from pathlib import Path

import pytest

from station.errors import BadInput
from station.instruments.byte_log import ByteLog


def test_every_byte_is_noted_with_its_direction(tmp_path: Path) -> None:
    path = tmp_path / "trace.txt"
    with ByteLog(path) as trace:
        trace("out", b"*IDN?\n")
        trace("in", b"\x02\xff 1.5\r\n")
    trace("in", b"after the end")
    noted = [line.split(" ", 1)[1] for line in path.read_text().splitlines()]
    assert noted == [r"> *IDN?\n", r"< \x02\xff 1.5\r\n"]


def test_a_trace_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="name another"):
        ByteLog(tmp_path / "no" / "folder")
