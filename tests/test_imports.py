"""The plan of the house: rooms in their order, and what may be imported where."""

import ast
from collections.abc import Iterator
from fnmatch import fnmatch
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parents[1]

ROOMS = (
    ("calibration/",),
    ("station/errors.py",),
    ("station/files.py",),
    ("station/statistics/",),
    ("station/crimp/",),
    ("station/settings.py",),
    ("station/instruments/",),
    ("station/text.py",),
    ("station/ledger/",),
    ("station/share/",),
    ("station/shop/",),
    ("station/jobs/",),
    ("station/bench/",),
    ("station/simulation/",),
    ("web/",),
    ("station/cli/", "station/__main__.py"),
)
"""Ground first: what stands in a room may import from it and from those before it."""

NO_CODE = ("station/__init__.py", "station/data/")
"""Docstrings and facts; nothing is imported from there, and nothing there imports."""

ONLY_IN = {
    "serial": ("station/instruments/port.py",),
    "gpiozero": ("station/instruments/panel/",),
    "sqlalchemy": ("station/ledger/", "station/share/"),
    "station.share": ("station/share/", "station/cli/share.py", "station/cli/serve.py"),
    "flask": ("web/",),
    "matplotlib": (
        "station/shop/study_figure.py",
        "station/cli/study_figures.py",
        "web/figures.py",
    ),
}

PURE = (
    "calibration/*",
    "station/statistics/*",
    "station/crimp/*",
    "station/jobs/*/judge.py",
    "station/shop/trend.py",
)
IMPURE = {"sqlalchemy", "serial", "gpiozero", "flask", "time", "socket", "subprocess", "threading"}

MODULES = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for package in ("calibration", "station", "web")
    for path in sorted((ROOT / package).rglob("*.py"))
}


@cache
def imported(module: str) -> frozenset[str]:
    """Names that a module imports, wherever in it; ``from a import b`` as ``a.b``."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(MODULES[module])):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{module}: say in full where it is imported from"
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return frozenset(names)


def file_of(name: str) -> str | None:
    path = name.replace(".", "/")
    return next((file for file in (f"{path}.py", f"{path}/__init__.py") if file in MODULES), None)


def needed(module: str) -> set[str]:
    """The product's own modules that a module imports, or imports something of."""
    found = {file_of(name) or file_of(name.rpartition(".")[0]) for name in imported(module)}
    return {file for file in found if file is not None}


def loaded(module: str) -> Iterator[str]:
    """A module and all of the product's that are loaded with it, packages around them too."""
    waiting, known = [module], {module}
    while waiting:
        yield (file := waiting.pop())
        parts = file.split("/")[:-1]
        around = {"/".join([*parts[:n], "__init__.py"]) for n in range(1, len(parts) + 1)}
        fresh = (needed(file) | (around & set(MODULES))) - known
        known |= fresh
        waiting += fresh


def room_of(module: str) -> int | None:
    return next((n for n, room in enumerate(ROOMS) if module.startswith(room)), None)


def test_imports_only_go_up_the_list_of_rooms_and_never_round() -> None:
    homeless = [
        module
        for module in MODULES
        if room_of(module) is None and not (module.startswith(NO_CODE) and not imported(module))
    ]
    assert homeless == []
    arrows = {
        module: {to for to in needed(module) if room_of(to) is not None} for module in MODULES
    }
    downward = [
        f"{module} -> {to}"
        for module, those in arrows.items()
        for to in those
        if (room_of(to) or 0) > (room_of(module) or 0)
    ]
    assert downward == []
    try:
        TopologicalSorter(arrows).prepare()
    except CycleError as error:
        raise AssertionError(" -> ".join(error.args[1])) from None


def test_hardware_databases_page_and_figures_are_imported_in_their_places() -> None:
    astray = [
        f"{module} imports {library}"
        for module in MODULES
        for library, places in ONLY_IN.items()
        if any(f"{name}.".startswith(f"{library}.") for name in imported(module))
        and not module.startswith(places)
    ]
    assert astray == []


def test_what_is_pure_loads_nothing_that_is_not() -> None:
    pure = [module for module in MODULES if any(fnmatch(module, pattern) for pattern in PURE)]
    assert all(any(fnmatch(module, pattern) for module in pure) for pattern in PURE)
    impure = [
        f"{module} loads {library} by {through}"
        for module in pure
        for through in loaded(module)
        for library in {name.split(".")[0] for name in imported(through)} & IMPURE
    ]
    assert impure == []


def test_the_house_stays_small() -> None:
    inside = [module.split("/") for module in MODULES if module.startswith("station/")]
    assert len([parts for parts in inside if len(parts) == 2]) <= 6
    assert len({parts[1] for parts in inside if len(parts) > 2} - {"data"}) <= 10
    lines = {module: len(text.splitlines()) for module, text in MODULES.items()}
    assert [module for module, count in lines.items() if count > 450] == []
    assert sum(lines.values()) <= 45_000
