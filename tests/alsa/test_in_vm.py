"""Lends the tests of `inside` an ALSA sequencer on a machine whose own kernel has none."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

# A command that runs its arguments on a machine with an ALSA sequencer, in the same folder and
# with the same files and Python as here. It ends with their exit code, or with 125 where it has
# no such machine to offer.
RUNNER = shlex.split(os.environ.get("POINTSMAN_VM", ""))
NO_MACHINE = 125

ROOT = Path(__file__).parents[2]
INSIDE = Path("tests/alsa/inside")
LIMIT_S = 900


@pytest.mark.skipif(
    Path("/dev/snd/seq").exists(), reason="this machine has a sequencer: the tests of inside ran"
)
@pytest.mark.skipif(
    not RUNNER,
    reason="no ALSA sequencer here (/dev/snd/seq); set POINTSMAN_VM to a command that runs "
    "its arguments on a machine that has one",
)
def test_the_tests_of_inside_pass_on_a_machine_with_a_sequencer() -> None:
    inner = [sys.executable, "-B", "-m", "pytest", "-p", "no:cacheprovider", "-rs", "-q"]
    command = [*RUNNER, *inner, "-m", "alsa", str(INSIDE)]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=LIMIT_S, check=False
    )
    if done.returncode == NO_MACHINE:
        pytest.skip(f"the command in POINTSMAN_VM has no machine to offer: {done.stderr.strip()}")
    print(done.stdout)
    print(done.stderr, file=sys.stderr)
    assert done.returncode == 0
    closing = re.search(r"^(\d+) passed in ", done.stdout, re.MULTILINE)
    assert closing, "some were skipped or left out there"
    assert int(closing[1]) > 10
