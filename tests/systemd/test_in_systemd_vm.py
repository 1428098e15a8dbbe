"""Lends the tests of `inside` a machine that systemd runs, to install the service on."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

# A command that runs its arguments as root on a machine of its own that is run by systemd and has
# an ALSA sequencer: in the same folder, with the rest of this machine's files below /host, and with
# the Python of this machine's Debian. It ends with their exit code, or with 125 where it has no
# such machine to offer.
RUNNER = shlex.split(os.environ.get("POINTSMAN_SYSTEMD_VM", ""))
NO_MACHINE = 125
HOST = "/host"

ROOT = Path(__file__).parents[2]
INSIDE = Path("tests/systemd/inside")
LIMIT_S = 900


def packages() -> list[str]:
    """Where the packages of this environment are on that machine."""
    found = [path for path in sys.path if path.endswith(("site-packages", "dist-packages"))]
    return [str(ROOT / "src"), str(ROOT / "plugins"), *(HOST + path for path in found)]


def is_debians_python() -> bool:
    """Whether the packages here are made for the Python there."""
    code = "import sys; print(*sys.version_info[:2])"
    try:
        debians = subprocess.run(["/usr/bin/python3", "-c", code], capture_output=True, check=False)
    except OSError:
        return False
    return debians.stdout.split() == [b"%d" % number for number in sys.version_info[:2]]


@pytest.mark.skipif(
    not RUNNER,
    reason="set POINTSMAN_SYSTEMD_VM to a command that runs its arguments on a machine of its own "
    "that is run by systemd",
)
@pytest.mark.skipif(not is_debians_python(), reason="the packages here are for another Python")
def test_the_tests_of_inside_pass_on_a_machine_that_systemd_runs() -> None:
    variables = [
        f"PYTHONPATH={os.pathsep.join(packages())}",
        "PYTEST_DISABLE_PLUGIN_AUTOLOAD=1",
        "POINTSMAN_MAY_INSTALL=1",
    ]
    inner = ["python3", "-B", "-m", "pytest", "-p", "no:cacheprovider", "-rs", "-q", "-s"]
    command = [*RUNNER, "env", *variables, *inner, "-m", "systemd", str(INSIDE)]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=LIMIT_S, check=False
    )
    if done.returncode == NO_MACHINE:
        pytest.skip(f"the command has no machine to offer: {done.stderr.strip()}")
    print(done.stdout)
    print(done.stderr, file=sys.stderr)
    assert done.returncode == 0
    closing = re.search(r"^(\d+) passed in ", done.stdout, re.MULTILINE)
    assert closing, "some were skipped or left out there"
    assert int(closing[1]) > 10
