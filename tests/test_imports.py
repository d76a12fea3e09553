"""The arrows between packages: web -> station -> calibration, and a pure core."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(
    path for package in ("station", "web", "calibration") for path in (ROOT / package).rglob("*.py")
)
PURE = ("station/crimp/", "station/statistics/", "calibration/")
IMPURE = {"serial", "gpiozero", "sqlalchemy", "flask", "time", "socket", "subprocess", "threading"}
ONLY_IN: dict[str, str | tuple[str, ...]] = {
    "serial": "station/instruments/port.py",
    "gpiozero": "station/instruments/panel/",
    "sqlalchemy": "station/ledger/",
    "flask": "web/",
    "matplotlib": ("web/figures.py", "station/cli/study_figures.py"),
}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def place(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", MODULES, ids=place)
def test_imports_point_one_way(path: Path) -> None:
    roots = {name.split(".")[0] for name in imported(path)}
    package = place(path).split("/")[0]
    # The command line starts the page; nothing else in station may know of it.
    allowed_web = place(path).startswith("station/cli/")
    forbidden = {"calibration": {"station", "web"}, "station": set() if allowed_web else {"web"}}
    assert not roots & forbidden.get(package, set())


@pytest.mark.parametrize("path", MODULES, ids=place)
def test_hardware_and_database_are_imported_in_one_place(path: Path) -> None:
    roots = {name.split(".")[0] for name in imported(path)}
    for library, home in ONLY_IN.items():
        if not place(path).startswith(home):
            assert library not in roots, f"{library} belongs in {home}"


def is_pure(path: Path) -> bool:
    return place(path).startswith(PURE)


@pytest.mark.parametrize("path", [path for path in MODULES if is_pure(path)], ids=place)
def test_core_is_pure(path: Path) -> None:
    names = imported(path)
    assert not {name.split(".")[0] for name in names} & IMPURE
    outside = {name for name in names if name.startswith("station.")}
    assert not {
        name for name in outside if name.split(".")[1] in ("ledger", "instruments", "cli", "jobs")
    }
