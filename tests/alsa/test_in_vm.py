"""Lends the tests of `inside` an ALSA sequencer on a machine whose own kernel has none."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, NamedTuple

import pytest

# A command that runs its arguments on a machine with an ALSA sequencer, in the same folder and
# with the same files and Python as here. It ends with their exit code, or with 125 where it has
# no such machine to offer.
RUNNER = shlex.split(os.environ.get("POINTSMAN_VM", ""))
NO_MACHINE = 125

ROOT = Path(__file__).parents[2]
INSIDE = Path("tests/alsa/inside")
LIMIT_S = 900

HALVES = {
    "the service": ("live", "plugs", "routing", "system_ports"),
    "what players ask": ("captures", "probing", "walk", "watch", "why_silent"),
}
"""The files of `inside`, for two machines beside each other: most of their time is waiting."""


class Running(NamedTuple):
    """One machine at work, and the file that holds what it says."""

    process: subprocess.Popen[bytes]
    output: IO[str]


@pytest.fixture(scope="module")
def running() -> Iterator[dict[str, Running]]:
    """A machine for each half, both at once."""
    inner = [sys.executable, "-B", "-m", "pytest", "-p", "no:cacheprovider", "-rs", "-q"]
    with ExitStack() as stack:
        started = {}
        for half, names in HALVES.items():
            files = [str(INSIDE / f"test_{name}.py") for name in names]
            command = [*RUNNER, *inner, "-m", "alsa", *files]
            output = stack.enter_context(tempfile.TemporaryFile("w+"))
            process = subprocess.Popen(command, cwd=ROOT, stdout=output, stderr=output)
            started[half] = Running(stack.enter_context(process), output)
            stack.callback(process.terminate)
        yield started


def test_every_file_of_inside_is_in_one_half() -> None:
    there = sorted(path.stem.removeprefix("test_") for path in (ROOT / INSIDE).glob("test_*.py"))
    assert sorted(name for names in HALVES.values() for name in names) == there


@pytest.mark.skipif(
    Path("/dev/snd/seq").exists(), reason="this machine has a sequencer: the tests of inside ran"
)
@pytest.mark.skipif(
    not RUNNER,
    reason="no ALSA sequencer here (/dev/snd/seq); set POINTSMAN_VM to a command that runs "
    "its arguments on a machine that has one",
)
@pytest.mark.parametrize("half", HALVES)
def test_the_tests_of_inside_pass_on_a_machine_with_a_sequencer(
    half: str, running: dict[str, Running]
) -> None:
    done = running[half]
    code = done.process.wait(LIMIT_S)
    done.output.seek(0)
    said = done.output.read()
    if code == NO_MACHINE:
        pytest.skip(f"the command in POINTSMAN_VM has no machine to offer: {said.strip()}")
    print(said)
    assert code == 0
    closing = re.search(r"^(\d+) passed in ", said, re.MULTILINE)
    assert closing, "some were skipped or left out there"
    assert int(closing[1]) > 10
