import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from station.cli import csv as tables
from station.cli.main import run
from station.cli.trace import read_trace
from station.errors import BadInput
from station.simulation.physics import Specimen, pull_curve

KEYS = {
    "peak_n", "peak_time_s", "loading_rate_n_per_s", "peak_may_be_low_by_n", "drops",
    "slack_end_s", "ended_by", "suggested_mode", "void_reason", "peak_u_n", "struck_out",
    "lost_samples", "may_have_slipped",
}  # fmt: skip


def saved(folder: Path, content: str | bytes) -> Path:
    path = folder / "pull.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def pulled(folder: Path, failure: str = "break", force_n: float = 165.0) -> Path:
    """An invented pull of 18 AWG, as a file."""
    specimen = Specimen.model_validate({"break_force_n": force_n, "failure": failure})
    force = pull_curve(specimen, np.random.default_rng(1), sample_rate_hz=100.0)
    rows = (f"{number / 100.0},{value:.2f}" for number, value in enumerate(force))
    return saved(folder, "time_s,force_n\n" + "\n".join(rows) + "\n")


def traced(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, Any]:
    code = run(["trace", *arguments, "--json"])
    return code, json.loads(capsys.readouterr().out)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["trace", *arguments]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    return told.err


def test_a_pull_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, document = traced(capsys, str(pulled(tmp_path)), "--wire", "18 AWG")
    assert code == 0
    assert set(document) == KEYS
    # Forces to 0.01 N: half a digit is 1.645 u at least [calc].
    assert 0.005 / 1.645 <= document["peak_u_n"] < 0.01
    assert document["peak_n"] - 1.645 * document["peak_u_n"] <= 165.0
    assert document["peak_n"] == pytest.approx(165.0, abs=0.02)
    assert document["ended_by"] == "break"
    # A clean break below the wire's own strength can have several causes: none is suggested.
    assert document["suggested_mode"] is None
    assert document["may_have_slipped"] is False
    assert document["void_reason"] is None


def test_a_void_pull_exits_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, document = traced(capsys, str(pulled(tmp_path, "grip_slip")))
    assert code == 1
    assert document["suggested_mode"] == "grip_slip"
    assert document["may_have_slipped"] is True
    assert "slipped" in document["void_reason"]


def test_a_corrupted_sample_is_struck_out_and_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = pulled(tmp_path)
    rows = path.read_text().splitlines()
    rows[120] = f"{rows[120].split(',')[0]},850"
    del rows[90:95]
    path.write_text("\n".join(rows))
    code, document = traced(capsys, str(path))
    assert (code, document["void_reason"]) == (0, None)
    assert (document["struck_out"], document["lost_samples"]) == (1, 5)
    assert document["peak_n"] == pytest.approx(165.0, abs=0.5)


def test_a_corrupted_sample_at_the_top_voids_the_pull(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"{n / 10},{9 * n if n < 11 else 0}" for n in range(20)]
    rows[10] = "1.0,130.2"
    code, document = traced(capsys, str(saved(tmp_path, "time_s,force_n\n" + "\n".join(rows))))
    assert code == 1
    assert "cannot be believed" in document["void_reason"]


def test_no_force_gives_null_and_never_a_missing_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, document = traced(capsys, str(saved(tmp_path, "time_s,force_n\n0,0\n1,0.5\n2,0\n")))
    assert code == 1
    assert set(document) == KEYS
    assert document["loading_rate_n_per_s"] is None
    assert document["slack_end_s"] is None
    assert document["ended_by"] == "nothing"


def test_people_read_the_reasons(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trace", str(pulled(tmp_path)), "--wire", "18 AWG"]) == 0
    told = capsys.readouterr().out
    assert "165 N" in told
    assert "what soft wire of this size breaks at" in told


def test_people_read_why_it_is_void(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trace", str(pulled(tmp_path)), "--preload-n", "170"]) == 1
    assert "VOID: the force never rose above 170 N" in capsys.readouterr().out


def test_what_is_known_of_the_tester_is_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(pulled(tmp_path))
    plain = traced(capsys, path)[1]["peak_may_be_low_by_n"]
    filtered = traced(capsys, path, "--filter-hz", "2")[1]["peak_may_be_low_by_n"]
    assert filtered > plain


@pytest.mark.parametrize(
    "content",
    [
        b"time_s,force_n\n0,0\n1,5\n2,9.5\n",
        b"\xef\xbb\xbftime_s,force_n\r\n\r\n0,0\r\n1,5\r\n\r\n2,9.5\r\n\r\n",
        b"time_s,force_n\r0,0\r1,5\r2,9.5",
        b"note,Force_N, time_s \nx,0,0\n,5,1\ny,9.5,2\n",
        b'"time_s","force_n"\n"0","0"\n"1","5"\n"2","9.5"\n',
        b"time_s,force_n,note\n0,0,\n,,\n1, 5 ,\xc3\xa9\n , ,\n2,+9.5e0,z\n",
    ],
    ids=["plain", "mark and blank lines", "old line ends", "order", "quotes", "rows of commas"],
)
def test_ways_to_write_the_same_trace(tmp_path: Path, content: bytes) -> None:
    time_s, force_n = read_trace(saved(tmp_path, content))
    assert time_s.tolist() == [0.0, 1.0, 2.0]
    assert force_n.tolist() == [0.0, 5.0, 9.5]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "pull.csv is empty"),
        (b"\n\n", "pull.csv is empty"),
        (b"time_s,force_n\n", "a header but no rows"),
        (b"time_s,force_n\n0,1\n", "1 rows"),
        (b"time_s;force_n\n0;1\n1;2\n", "no column time_s, force_n: its header is time_s;force_n"),
        (b"time_s,newtons\n0,1\n1,2\n", "no column force_n: its header is time_s, newtons"),
        (b"time_s,force_n\n0,1\n\n1,nan\n", "line 4: force_n is 'nan'"),
        (b"time_s,force_n\n0,1\n1,1e999\n", "line 3: force_n is '1e999'"),
        (b"time_s,force_n\n0,1\n\n1,abc\n", "line 4: force_n is 'abc'"),
        (b"time_s,force_n\n0,1\n1,\n", "line 3: force_n is ''"),
        (b"time_s,force_n\n0,1\n1\n", "line 3: force_n is ''"),
        (b"time_s,force_n\n0,1_0\n1,2\n", "line 2: force_n is '1_0'"),
        (b"time_s,force_n\n0,0x1\n1,2\n", "line 2: force_n is '0x1'"),
        ("time_s,force_n\n0,١\n1,2\n".encode(), "line 2: force_n is '١'"),
        (b"time_s,force_n\n0,1\n1,\xe9\n", "could not be read as CSV"),
        (b"time_s,force_n\n0,1\n\n1,3\n1,4\n", "line 5: time_s does not rise, 1 comes after 1"),
        (b"time_s,force_n\n2,1\n1,3\n", "line 3: time_s does not rise, 1 comes after 2"),
        (b"\xff\xfet\x00i\x00m\x00e\x00", "could not be read as CSV"),
        (b"\x89PNG\xe9\r\n1,2", "could not be read as CSV"),
    ],
)
def test_files_that_cannot_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, says: str
) -> None:
    assert says in refused(capsys, str(saved(tmp_path, content)))


def test_a_file_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "No such file" in refused(capsys, str(tmp_path / "none.csv"))
    assert "directory" in refused(capsys, str(tmp_path))


def test_options_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(pulled(tmp_path))
    assert "wire size" in refused(capsys, path, "--wire", "thick")
    assert "filter_hz" in refused(capsys, path, "--filter-hz", "0")
    assert "proof_n" in refused(capsys, path, "--proof-n", "nan")


def test_a_line_without_end_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="a line of more than"):
        read_trace(saved(tmp_path, b"x" * 200_000))


def test_too_many_rows_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MAX_ROWS", 100)
    rows = "".join(f"{number},1\n" for number in range(200))
    with pytest.raises(BadInput, match="more than 100 rows"):
        read_trace(saved(tmp_path, "time_s,force_n\n" + rows))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path: Path, content: bytes) -> None:
    path = saved(tmp_path, b"time_s,force_n\n" + content)
    refusal, time_s, force_n = None, np.empty(0), np.empty(0)
    try:
        time_s, force_n = read_trace(path)
    except BadInput as error:
        refusal = str(error)
    assert refusal is None or refusal.startswith("pull.csv")
    assert time_s.shape == force_n.shape
    assert np.all(np.diff(time_s) > 0.0)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    force=st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=50),
    start=st.integers(-1000, 1000),
)
def test_what_is_written_is_read(tmp_path: Path, force: list[float], start: int) -> None:
    rows = "".join(f"{start + number},{value!r}\n" for number, value in enumerate(force))
    time_s, force_n = read_trace(saved(tmp_path, "time_s,force_n\n" + rows))
    assert force_n.tolist() == force
    assert time_s.tolist() == [float(start + number) for number in range(len(force))]
