"""Every rig in configs/ over a short input, event by event.

Beside each rig's name stands its input; a folder of that name holds what its outputs were sent.
Renew the recorded files with RENEW_GOLDEN=1 in the environment, and read the difference.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from pointsman.render import render
from pointsman.rig_file import load_rig

CONFIGS = Path(__file__).parents[2] / "configs"
GOLDEN = Path(__file__).parent / "configs"
NAMES = sorted(path.stem for path in CONFIGS.glob("*.yaml"))


def test_every_rig_has_an_input_and_no_input_is_left_over() -> None:
    assert sorted(path.stem for path in GOLDEN.glob("*.tsv")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_rig_to_start_from_renders_as_recorded(tmp_path: Path, name: str) -> None:
    rig = load_rig(CONFIGS / f"{name}.yaml")
    render(rig, GOLDEN / f"{name}.tsv", tmp_path)
    outputs = [output.name for output in rig.outputs]
    if os.environ.get("RENEW_GOLDEN"):
        shutil.rmtree(GOLDEN / name, ignore_errors=True)
        (GOLDEN / name).mkdir()
        for output in outputs:
            shutil.copyfile(tmp_path / f"{output}.tsv", GOLDEN / name / f"{output}.tsv")
    assert sorted(path.stem for path in (GOLDEN / name).iterdir()) == sorted(outputs)
    for output in outputs:
        got = (tmp_path / f"{output}.tsv").read_text().splitlines()
        assert got == (GOLDEN / name / f"{output}.tsv").read_text().splitlines(), output


@pytest.mark.parametrize("name", NAMES)
def test_each_says_what_to_change(name: str) -> None:
    assert "# Change: " in (CONFIGS / f"{name}.yaml").read_text()
