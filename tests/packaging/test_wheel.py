"""What is handed out: the wheel and the sdist, and the wheel in an empty environment."""

from __future__ import annotations

import email
import subprocess
import sys
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def build(kind: str, folder: Path, source: Path = ROOT) -> Path:
    """Build a wheel or an sdist of a tree into a folder."""
    pytest.importorskip("hatchling", reason="the project is built with hatchling")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(folder)],
        cwd=source, check=True, capture_output=True,
    )  # fmt: skip
    (built,) = folder.iterdir()
    return built


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build("wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def sdist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build("sdist", tmp_path_factory.mktemp("sdist"))


def names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def sources() -> set[str]:
    """What of the two packages must be in the wheel."""
    found = set()
    for package in (ROOT / "src" / "pointsman", ROOT / "plugins" / "pointsman_plugins"):
        for path in package.rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                found.add(str(path.relative_to(package.parent)))
    return found


def test_the_wheel_has_both_packages_whole_and_nothing_else(wheel: Path) -> None:
    inside = {name for name in names(wheel) if ".dist-info/" not in name}
    assert inside == sources()
    assert {"pointsman/py.typed", "pointsman_plugins/py.typed", "pointsman/demo/rig.yaml"} <= inside


def test_the_wheel_says_what_it_is(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        (info,) = {name.split("/")[0] for name in archive.namelist() if ".dist-info/" in name}
        metadata = email.message_from_bytes(archive.read(f"{info}/METADATA"))
        points = archive.read(f"{info}/entry_points.txt").decode()
        licence = archive.read(f"{info}/licenses/LICENSE").decode()
    assert metadata["Name"] == "pointsman"
    assert metadata["License-Expression"] == "MIT"
    assert "The Pointsman authors" in licence
    assert "pointsman = pointsman.cli:main" in points
    for name, module in PROJECT["entry-points"]["pointsman.plugins"].items():
        assert f"{name} = {module}" in points


def test_the_sdist_has_what_a_packager_needs(sdist: Path) -> None:
    with tarfile.open(sdist) as archive:
        inside = {name.partition("/")[2] for name in archive.getnames()}
    assert inside >= {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
        "docs/README.md", "configs/three-synths.yaml", "tests/packaging/test_wheel.py",
        "tests/golden/harbour/tug.tsv", "src/pointsman/engine.py",
    }  # fmt: skip
    assert not {name for name in inside if "__pycache__" in name or ".hypothesis" in name}


def test_the_wheel_of_the_sdist_is_the_wheel_of_the_tree(
    sdist: Path, wheel: Path, tmp_path: Path
) -> None:
    subprocess.run(["tar", "-xzf", sdist, "-C", tmp_path], check=True)
    (source,) = tmp_path.iterdir()
    (tmp_path / "again").mkdir()
    assert names(build("wheel", tmp_path / "again", source)) == names(wheel)


# ---- installed, with nothing else around ---------------------------------------------------------


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of programs of an empty environment with the wheel and what it needs."""
    place = tmp_path_factory.mktemp("empty")
    venv.create(place / "env", with_pip=True)
    programs = place / "env" / "bin"
    pip = [str(programs / "python"), "-m", "pip", "--retries", "0"]
    reached = subprocess.run(
        [*pip, "download", "--quiet", "--no-deps", "--dest", str(place), "pluggy"],
        capture_output=True, check=False,
    )  # fmt: skip
    if reached.returncode:
        pytest.skip("no package registry can be reached, so what the wheel needs is not to be had")
    subprocess.run([*pip, "install", "--quiet", str(wheel)], check=True, capture_output=True)
    return programs


def run(programs: Path, program: str, *arguments: str) -> str:
    """What a program of the environment prints; it runs far from the source tree."""
    done = subprocess.run(
        [programs / program, *arguments], cwd=programs, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_every_plugin_is_listed(installed: Path) -> None:
    lines = run(installed, "pointsman", "plugins").splitlines()[2:]
    assert [line.split()[:2] for line in lines] == [
        [name, "pointsman"] for name in sorted(PROJECT["entry-points"]["pointsman.plugins"])
    ]


def test_the_demo_runs(installed: Path) -> None:
    assert "What the rig did:" in run(installed, "pointsman", "demo")


def test_it_runs_without_anything_that_only_some_of_it_needs(installed: Path) -> None:
    """Neither python-rtmidi nor what the tests need comes with it, and `ports` says so."""
    packages = run(installed, "python", "-m", "pip", "list").lower()
    assert not [name for name in ("rtmidi", "mido", "pytest", "hypothesis") if name in packages]
    assert "python-rtmidi is not installed" in run(installed, "pointsman", "ports")


def test_the_version_is_the_projects(installed: Path) -> None:
    assert run(installed, "pointsman", "--version") == f"pointsman {PROJECT['version']}\n"
