"""Puts the service's unit where systemd finds it, and takes it away again.

What could keep the service from starting is found out before anything is written: the rig is
checked by the very Python and account that will run it.
"""

from __future__ import annotations

import os
import pwd
import shlex
import shutil
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from pointsman.errors import PointsmanError, UsageError
from pointsman.live.unit import UNIT, Service, rig_of, unit_text
from pointsman.ports.files import FilePorts
from pointsman.ports.resolve import find_backend
from pointsman.ports.serial import SerialPorts
from pointsman.rig import Rig
from pointsman.whole_file import draft, place

UNIT_PATH = Path("/etc/systemd/system") / UNIT
"""Where an administrator's own units stand: systemd.unit(5), Unit File Load Path."""

BOOTED = Path("/run/systemd/system")
"""This folder is there if systemd runs the machine: sd_booted(3)."""


class ServiceError(PointsmanError):
    """The service could not be set up; the text is one line that says why and what to do."""


def service_for(rig: Rig, user: str | None) -> Service:
    """What the unit for a rig depends on. Raises UsageError for an account that is not there."""
    path = Path(os.path.abspath(rig.path))  # not resolved: a link may lead to tonight's rig
    return Service(
        path,
        _python(),
        _account(path, user).pw_name,
        tuple(sorted({folder for one in rig.rigs for folder in _written_by(one)})),
        any(map(_has_serial_ports, rig.rigs)),
    )


def installed_rig() -> Path:
    """The rig that the installed unit plays. Raises UsageError where none is installed."""
    rig = _installed_rig()
    if rig is None:
        raise UsageError(f"which rig? {UNIT} is not installed yet; name the rig file")
    return rig


def check_as(user: str, rig: Path) -> tuple[bool, list[str]]:
    """Check the rig as that account will read it: whether it is right, and the lines about it.

    Raises ServiceError where the account cannot even start Pointsman.
    """
    python = _python()
    account = pwd.getpwnam(user)
    command = [str(python), "-m", "pointsman.cli", "check", str(rig)]
    groups = os.getgrouplist(user, account.pw_gid)
    change = (
        {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": groups}
        if os.geteuid() != account.pw_uid
        else {}
    )
    environment = {"PATH": os.defpath, "HOME": account.pw_dir, "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command,
            cwd="/",
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            **change,  # type: ignore[call-overload]  # either all three or none
        )
    except PermissionError:
        raise ServiceError(f"{python}: '{user}' may not run it; {_ELSEWHERE}") from None
    if done.returncode not in (0, 2):
        last = (done.stderr.strip().splitlines() or ["it says nothing"])[-1]
        raise ServiceError(f"{python}: Pointsman does not start as '{user}': {last}; {_ELSEWHERE}")
    return done.returncode == 0, (done.stdout + done.stderr).splitlines()


_ELSEWHERE = "make the environment in a folder that the account can read, such as its home"


def install(service: Service, *, start: bool) -> None:
    """Write the unit and enable it; with `start` (re)start it, and wait until it is ready.

    Raises ServiceError, or OSError where the unit cannot be written.
    """
    text = unit_text(service)
    _refuse_if_not_ours()
    _write(UNIT_PATH, text)
    _systemctl("daemon-reload")
    _systemctl("enable", UNIT)
    if start:
        _systemctl("restart", UNIT, hint=f"it goes on trying; why: journalctl -u {UNIT} -n 20")


def remove() -> bool:
    """Stop the service and take its unit away; returns whether there was one."""
    if not UNIT_PATH.exists():
        return False
    _refuse_if_not_ours()
    _systemctl("disable", "--now", UNIT)
    with suppress(ServiceError):  # nothing is there if it has never run
        _systemctl("clean", "--what=runtime", UNIT)
    UNIT_PATH.unlink()
    _systemctl("daemon-reload")
    with suppress(ServiceError):  # it is known no more, unless it has failed
        _systemctl("reset-failed", UNIT)
    return True


def need_systemd_and_root() -> None:
    """Raise ServiceError, with the command to write instead, where the unit could not be put."""
    if not BOOTED.is_dir() or shutil.which("systemctl") is None:
        raise ServiceError(
            "this machine is not run by systemd; start 'pointsman run --wait RIG' by what runs it"
        )
    if os.geteuid() != 0:
        command = shlex.join([str(_python()), "-m", "pointsman.cli", *sys.argv[1:]])
        raise ServiceError(f"only root may do that; write: sudo {command}")


# ---- the parts -----------------------------------------------------------------------------------


def _python() -> Path:
    """The interpreter of this environment; a link that is followed leads out of it."""
    if not sys.executable:
        raise ServiceError("it is not known which Python runs this; start it from its environment")
    return Path(os.path.abspath(sys.executable))


def _account(rig: Path, user: str | None) -> pwd.struct_passwd:
    if user is not None:
        try:
            return pwd.getpwnam(user)
        except KeyError:
            raise UsageError(f"there is no account '{user}' on this machine") from None
    owner = rig.stat().st_uid
    try:
        return pwd.getpwuid(owner)
    except KeyError:
        what = f"{rig}: belongs to no account of this machine (number {owner})"
        raise UsageError(f"{what}; give --user NAME") from None


def _written_by(rig: Rig) -> list[Path]:
    """The folders of the files that a rig records to."""
    base = Path(os.path.abspath(rig.path)).parent
    found = [find_backend(output.port, {}) for output in rig.outputs]
    return [
        Path(os.path.abspath(base / address)).parent
        for kind, address in found
        if isinstance(kind, FilePorts)
    ]


def _has_serial_ports(rig: Rig) -> bool:
    texts = [rig.input_port, *(output.port for output in rig.outputs)]
    return any(isinstance(find_backend(text, {})[0], SerialPorts) for text in texts)


def _installed_rig() -> Path | None:
    try:
        return rig_of(UNIT_PATH.read_text("utf-8", "replace"))
    except OSError:
        return None


def _refuse_if_not_ours() -> None:
    if UNIT_PATH.exists() and _installed_rig() is None:
        raise ServiceError(f"{UNIT_PATH}: was not made by 'service install'; move it away first")


def _write(path: Path, text: str) -> None:
    """Whole or not at all, whenever the power goes."""
    with draft(path, text) as beside:
        beside.chmod(0o644)
        place(beside, path, over=True)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _systemctl(*words: str, hint: str = "") -> None:
    command: Sequence[str] = ("systemctl", *words)
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        why = hint or (done.stderr.strip().splitlines() or [f"exit code {done.returncode}"])[0]
        raise ServiceError(f"'{' '.join(command)}' failed: {why}")
