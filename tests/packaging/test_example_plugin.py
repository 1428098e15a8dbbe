"""The example plugin as a stranger has it: installed from its own folder, with its own tests."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "docs" / "example-plugin"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An environment in which the example is installed beside this Pointsman."""
    pytest.importorskip("hatchling", reason="the example is built with hatchling")
    place = tmp_path_factory.mktemp("example")
    shutil.copytree(EXAMPLE, place / "source")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation"]
    subprocess.run([*pip, "--target", place / "site", place / "source"], check=True)
    return {**os.environ, "PYTHONPATH": str(place / "site")}


def run(environment: dict[str, str], *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, *arguments], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_it_is_listed_with_where_it_comes_from(installed: dict[str, str]) -> None:
    listed = run(installed, "-m", "pointsman.cli", "plugins")
    row = next(line for line in listed.splitlines() if line.startswith("foghorn"))
    assert row.split(maxsplit=2)[1:] == [
        "pointsman-foghorn",
        "Answers every note from below, later and quieter.",
    ]


def test_its_page_shows_its_options(installed: dict[str, str]) -> None:
    page = run(installed, "-m", "pointsman.cli", "plugins", "foghorn")
    assert "Answers that would leave the range of notes" in page
    for option, default in {"after": "required", "answers": "2", "length": "50ms"}.items():
        row = next(line for line in page.splitlines() if line.startswith(f"{option} "))
        assert default in row


def test_a_rig_can_use_it(installed: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "rig.yaml").write_text(
        "input: {port: 'null:'}\n"
        "outputs:\n"
        "  lantern: {port: 'null:', chain: [{plugin: foghorn, after: 100ms, answers: 1}]}\n"
    )
    (tmp_path / "in.tsv").write_text("0.000000\t90 3C 64\n0.010000\t80 3C 40\n")
    rig, log, out = (str(tmp_path / name) for name in ("rig.yaml", "in.tsv", "out"))
    run(installed, "-m", "pointsman.cli", "render", rig, log, "--out", out)
    assert (tmp_path / "out" / "lantern.tsv").read_text().splitlines() == [
        "0.000000\t90 3C 64",
        "0.010000\t80 3C 40",
        "0.100000\t90 30 3C",
        "0.150000\t80 30 40",
    ]


def test_its_own_tests_pass(installed: dict[str, str]) -> None:
    done = run(installed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", os.devnull,
               "--rootdir", str(EXAMPLE), str(EXAMPLE / "tests"))  # fmt: skip
    assert "5 passed" in done
