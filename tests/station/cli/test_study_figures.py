"""What the files hold that ``--plot`` writes; how they look is for eyes."""

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from station.cli.main import run
from tests.station.test_whole_files import room_for

COMMANDS = {
    "capability": ["--lower", "80"],
    "charts": ["--rules", "we", "--center", "100", "--sigma", "5"],
    "compare": [],
    "drift": ["--center", "100", "--sigma", "5", "--direction", "down"],
}


@pytest.fixture
def pulls(tmp_path: Path) -> Path:
    rng = np.random.default_rng(1)
    values = np.concatenate([rng.normal(100, 5, 20), rng.normal(90, 5, 20)]).round(1)
    rows = [f"{'$a^' if place < 20 else 'b'},{value}" for place, value in enumerate(values)]
    path = tmp_path / "pulls.csv"
    path.write_text("group,value\n" + "\n".join(rows) + "\n")
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_every_ending_is_what_it_says(command: str, pulls: Path) -> None:
    for ending, start in ((".svg", b"<?xml"), (".png", b"\x89PNG"), (".pdf", b"%PDF")):
        target = pulls.with_name(f"figure{ending}")
        assert run(["study", command, str(pulls), *COMMANDS[command], "--plot", str(target)]) == 0
        assert target.read_bytes().startswith(start)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_figure_that_cannot_be_written(
    command: str, pulls: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = pulls.parent / "absent" / "figure.svg"
    assert run(["study", command, str(pulls), *COMMANDS[command], "--plot", str(target)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "could not be written" in printed.err


@pytest.mark.parametrize("ending", [".svg", ".png", ".pdf"])
def test_a_full_disk_leaves_the_figure_before(pulls: Path, ending: str) -> None:
    target = pulls.with_name(f"figure{ending}")
    command = ["study", "charts", str(pulls), *COMMANDS["charts"], "--plot", str(target)]
    assert run(command) == 0
    before, names = target.read_bytes(), sorted(pulls.parent.iterdir())
    with room_for(2048):
        assert run(command) == 2
    assert (target.read_bytes(), sorted(pulls.parent.iterdir())) == (before, names)


def test_every_value_is_drawn(pulls: Path) -> None:
    target = pulls.with_name("figure.svg")
    for command in ("charts", "compare"):
        assert run(["study", command, str(pulls), *COMMANDS[command], "--plot", str(target)]) == 0
        drawn = ElementTree.parse(target).getroot()
        marks = [use for use in drawn.iter() if use.tag.endswith("}use")]
        assert len(marks) >= 40


@pytest.mark.parametrize(
    ("command", "values"),
    [("capability", [5.0] * 4), ("capability", [1e99, -1e99, 0.0]), ("charts", [1e99, -1e99, 0.0])],
)
def test_odd_values_are_drawn_or_refused_in_words(
    command: str, values: list[float], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "odd.csv"
    path.write_text("value\n" + "\n".join(map(str, values)) + "\n")
    target = tmp_path / "odd.svg"
    options = ["--lower", "1"] if command == "capability" else []
    assert run(["study", command, str(path), *options, "--plot", str(target)]) in (0, 1)
    assert target.read_text().count("</svg>") == 1
    assert capsys.readouterr().err == ""
