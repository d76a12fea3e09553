import json
from pathlib import Path

import pytest

from station.cli.main import run

# JCGM 100:2008, example H.3: data [seen-3].
H3 = """t,b
21.521,-0.171
22.012,-0.169
22.512,-0.166
23.003,-0.159
23.507,-0.164
23.999,-0.165
24.513,-0.156
25.002,-0.157
25.503,-0.159
26.010,-0.161
26.511,-0.160
"""


def h3_file(folder: Path) -> Path:
    """The example as its fit is made, in t - 20."""
    rows = [line.split(",") for line in H3.split()[1:]]
    text = "\n".join(f"{float(t) - 20.0:.3f},{b}" for t, b in rows)
    return written(folder, f"reference,reading\n{text}\n")


def written(folder: Path, text: str) -> Path:
    path = folder / "points.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_gum_h3_by_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Printed: -0.1712 (0.0029), 0.00218 (0.00067), r -0.930; at 30 °C -0.1494 (0.0041).
    assert run(["calibrate", "fit", str(h3_file(tmp_path)), "--at", "10", "--json"]) == 0
    fit = json.loads(capsys.readouterr().out)
    assert round(fit["intercept"], 4) == -0.1712
    assert round(fit["u_intercept"], 4) == 0.0029
    assert round(fit["slope"], 5) == 0.00218
    assert round(fit["u_slope"], 5) == 0.00067
    assert round(fit["correlation"], 3) == -0.930
    assert round(fit["prediction"], 4) == -0.1494
    assert round(fit["u_prediction"], 4) == 0.0041
    assert fit["dof"] == 9


def test_without_at_there_is_no_prediction(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["calibrate", "fit", str(h3_file(tmp_path)), "--json"]) == 0
    fit = json.loads(capsys.readouterr().out)
    assert fit["prediction"] is None
    assert fit["u_prediction"] is None


def test_through_zero_and_an_outlier(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "".join(f"{x},{x * 2 + (9 if x == 5 else 0)}\n" for x in range(1, 21))
    path = written(tmp_path, "reference,reading\n" + rows)
    assert run(["calibrate", "fit", str(path), "--through-zero", "--at", "3"]) == 0
    assert "Look again at line 6" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("a,b\n1,2\n", "no column reference, reading"),
        ("reference,reading\n", "no rows"),
        ("reference,reading\n1,2\nx,3\n4,5\n", "line 3: reference is 'x'"),
        ("reference,reading\n1,2\n2,nan\n4,5\n", "line 3: reading is 'nan'"),
        ("reference,reading\n1,2\n2\n4,5\n", "line 3: reading is ''"),
        ("reference,reading\n1,2\n2,1_000\n4,5\n", "1_000"),
        ("reference,reading\n1,2\n2,1e999\n4,5\n", "1e999"),
        ("reference,reading\n1,2\n1,2\n1,3\n", "equal"),
        ("reference,reading\n1,2\n2,3\n", "at least 3"),
    ],
)
def test_bad_files_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, says: str
) -> None:
    assert run(["calibrate", "fit", str(written(tmp_path, text))]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert says in printed.err


def test_a_binary_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(bytes(range(256)) * 10)
    assert run(["calibrate", "fit", str(path)]) == 2
    assert "could not be read" in capsys.readouterr().err


def test_spreadsheet_habits_are_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(b"\xef\xbb\xbfNote, Reference ,reading\r\na,1,2\r\n\r\nb,2,4\r\nc,3,6\r\n")
    assert run(["calibrate", "fit", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["slope"] == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("bend", "says"), [(0.0, "No curvature or lack of fit is shown"), (0.05, "they curve (p")]
)
def test_a_bent_line_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], bend: float, says: str
) -> None:
    wobble = (0.1, -0.1, 0.05, -0.05)
    rows = [
        f"{x},{2 * x + bend * x * x + wobble[(3 * x + again) % 4]}"
        for x in (5, 10, 15, 20, 25)
        for again in (0, 1)
    ]
    path = written(tmp_path, "reference,reading\n" + "\n".join(rows) + "\n")
    assert run(["calibrate", "fit", str(path)]) == 0
    assert says in capsys.readouterr().out
    assert run(["calibrate", "fit", str(path), "--json"]) == 0
    fit = json.loads(capsys.readouterr().out)
    assert (fit["curvature_p"] < 0.05) == (fit["lack_of_fit_p"] < 0.05) == (bend > 0.0)


def test_three_points_do_not_test_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, "reference,reading\n1,1\n2,2.1\n3,2.9\n")
    assert run(["calibrate", "fit", str(path)]) == 0
    assert "was not tested" in capsys.readouterr().out
    assert run(["calibrate", "fit", str(path), "--json"]) == 0
    fit = json.loads(capsys.readouterr().out)
    assert (fit["curvature_p"], fit["lack_of_fit_p"]) == (None, None)
