"""What is installed is what the checkout has: dependencies declared, files in wheel and sdist."""

import ast
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PACKAGES = ("station", "web", "calibration")
SHIPPED = (*PACKAGES, "firmware_notes")
BESIDE = (".readme", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml")
BUILD = "from setuptools import build_meta as build; build.build_wheel({0}); build.build_sdist({0})"
LINK = re.compile(r"\]\(([^)#:]+)\)")


def plain(distribution: str) -> str:
    return re.sub(r"[-_.]+", "-", distribution).lower()


def imported() -> set[str]:
    """Top names of what the product imports from elsewhere."""
    names: set[str] = set()
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    names |= {alias.name.split(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    names.add(node.module.split(".")[0])
    return names - set(PACKAGES) - set(sys.stdlib_module_names)


def test_what_is_imported_is_declared_and_what_is_declared_is_imported() -> None:
    owners = packages_distributions()
    needed = {plain(owners[name][0]) for name in imported()}
    declared = {plain(re.split(r"[^\w.-]", line)[0]) for line in PROJECT["dependencies"]}
    assert needed == declared


def test_the_extra_for_a_shared_record_is_a_driver_that_nothing_imports_by_its_name() -> None:
    (driver,) = PROJECT["optional-dependencies"]["share"]
    assert driver.startswith("psycopg[binary]>=3")
    assert "crimp-station[share]" in PROJECT["optional-dependencies"]["test"]
    assert "psycopg" not in imported()


def files_below(folder: Path) -> set[str]:
    return {
        path.relative_to(ROOT).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Wheel and sdist, made as pip makes them, from a copy of what they are made of."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("built")
    for name in (*SHIPPED, *BESIDE):
        if (ROOT / name).is_dir():
            shutil.copytree(
                ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        else:
            shutil.copy(ROOT / name, source / name)
    subprocess.run(
        [sys.executable, "-c", BUILD.format(repr(str(out)))],
        cwd=source,
        check=True,
        capture_output=True,
    )
    return out


def test_wheel_and_sdist_hold_every_file_of_the_product(built: Path) -> None:
    expected = {file for name in SHIPPED for file in files_below(ROOT / name)}
    with zipfile.ZipFile(next(built.glob("*.whl"))) as wheel:
        assert expected <= set(wheel.namelist())
    with tarfile.open(next(built.glob("*.tar.gz"))) as sdist:
        held = {name.partition("/")[2] for name in sdist.getnames()}
    assert expected | {name for name in BESIDE if (ROOT / name).is_file()} <= held


def test_wheel_holds_every_file_that_the_readme_links_to(built: Path) -> None:
    with zipfile.ZipFile(next(built.glob("*.whl"))) as wheel:
        held = wheel.namelist()
    documents = {name.partition("share/doc/crimp-station/")[2] for name in held}
    linked = set(LINK.findall((ROOT / "README.md").read_text(encoding="utf-8")))
    assert linked
    assert linked - set(held) - documents == set()


def test_the_wheel_runs_outside_of_the_checkout(built: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(next(built.glob("*.whl"))) as wheel:
        wheel.extractall(tmp_path)
    said = [
        subprocess.run(
            [sys.executable, "-m", "station", *arguments],
            cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(tmp_path)},
            check=True, capture_output=True, text=True,
        ).stdout
        for arguments in (["wire", "18 AWG"], ["--help"])
    ]  # fmt: skip
    assert "18 AWG" in said[0]
    # Where the help says that such files stand, it stands.
    assert str(tmp_path) in "".join(said[1].split())
    assert (tmp_path / "firmware_notes" / "network.md").is_file()
