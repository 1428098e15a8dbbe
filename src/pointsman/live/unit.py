"""The systemd unit of the service, as text.

How this works. The unit is Type=notify: systemd waits for our READY=1, and restarts us when the
watchdog is not fed (notify.py). It grants real-time scheduling and locked memory by limits alone,
and the program asks for them by itself (realtime.py): so a kernel that refuses them still gets a
service that plays. The sandbox leaves what a MIDI service needs: the sound devices, the folder
below /run, and reading. What an option means stands in systemd.unit(5), systemd.service(5),
systemd.exec(5) and systemd.resource-control(5); all are known to systemd 252 (Debian 12).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pointsman.errors import UsageError
from pointsman.live.realtime import PRIORITY

UNIT = "pointsman.service"

_MARK = "[X-Pointsman]"
"""systemd passes over sections whose names begin with X-: this one tells us that a unit is ours."""

_HIDDEN = (Path("/tmp"), Path("/var/tmp"))
"""Folders in whose place the service sees empty ones of its own (PrivateTmp)."""

_SERIAL_DEVICES = ("ttyAMA", "ttyS", "ttyUSB", "ttyACM")
"""The kinds of serial device that a small computer has, as in /proc/devices: two on its board, two
on USB."""
_SERIAL_MODULES = ("usbserial", "cdc_acm")
"""The parts of the kernel that those on USB belong to."""


@dataclass(frozen=True)
class Service:
    """What one machine's unit depends on. Paths are absolute.

    `python` is the interpreter of the environment that Pointsman is installed in. `written` are
    the folders of the files that the rig records to. `serial` says whether a port is a serial one.
    """

    rig: Path
    python: Path
    user: str
    written: tuple[Path, ...] = ()
    serial: bool = False


def unit_text(service: Service) -> str:
    """The unit. Raises UsageError where a path cannot stand in one, or would not be seen."""
    for what, path in (("the rig", service.rig), ("the Python that runs it", service.python)):
        _check(what, path)
    written = "".join(f"\nReadWritePaths={_quoted(f'-{path}')}" for path in service.written)
    groups, devices, modules = ["audio"], ["alsa"], ["snd_seq"]
    if service.serial:
        groups.append("dialout")
        devices += _SERIAL_DEVICES
        modules += _SERIAL_MODULES
    loaded = " ".join(f"modprobe@{module}.service" for module in modules)
    allowed = "\n".join(f"DeviceAllow=char-{device} rw" for device in devices)
    return f"""\
# Made by `pointsman service install`, which also replaces it. To change something for good:
# systemctl edit {UNIT}

[Unit]
Description=Pointsman, a MIDI router
# What is plugged in later can only be allowed below if the kernel knows its kind by now.
Wants={loaded}
After={loaded} sound.target
RequiresMountsFor={_quoted(service.rig)} {_quoted(service.python)}
# Try again for ever: nobody sits beside the box.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart=:{_quoted(service.python)} -m pointsman.cli run --wait {_quoted(service.rig)}
ExecReload=kill -HUP $MAINPID
SyslogIdentifier=pointsman
Restart=always
RestartSec=1
# One that hangs has notes sounding: kill it at once, and let the next start end them.
WatchdogSec=10
WatchdogSignal=SIGKILL
# Only the main process is told to end, and ends the rest after the release.
KillMode=mixed
KillSignal=SIGTERM
TimeoutStopSec=10
# It was told to end before it had begun; later it ends with 0.
SuccessExitStatus=143
# Should a helper process run out of memory, MIDI goes on; and others are to run out first.
OOMPolicy=continue
OOMScoreAdjust=-500

User={service.user}
SupplementaryGroups={" ".join(groups)}
UMask=0077
# The control socket, and what must outlive a crash: never on the disk.
RuntimeDirectory=pointsman
RuntimeDirectoryMode=0700
RuntimeDirectoryPreserve=yes

# What the program may ask for by itself; it plays without, too.
LimitRTPRIO={PRIORITY}
LimitMEMLOCK=infinity

# Devices: those that carry MIDI.
DevicePolicy=closed
{allowed}

# Files: all can be read as far as the account may, none written.
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes{written}

# Rights: none beside those of the account.
NoNewPrivileges=yes
CapabilityBoundingSet=
RestrictSUIDSGID=yes
RestrictNamespaces=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
KeyringMode=private

# The kernel: only what a program needs that is no part of the system.
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged
SystemCallErrorNumber=EPERM
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
ProtectProc=invisible

# The network: none; a Unix socket is how the service is reached.
PrivateNetwork=yes
RestrictAddressFamilies=AF_UNIX
IPAddressDeny=any

[Install]
WantedBy=multi-user.target

{_MARK}
Rig={service.rig}
"""


def rig_of(text: str) -> Path | None:
    """The rig that a unit plays, or None if the unit is none of ours."""
    _, mark, rest = text.partition(f"\n{_MARK}\nRig=")
    return Path(rest.partition("\n")[0]) if mark else None


def _quoted(path: Path | str) -> str:
    """A word of a unit: systemd.syntax(7), Quoting, and systemd.unit(5), Specifiers (%)."""
    escaped = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{escaped}"'


def _check(what: str, path: Path) -> None:
    text = str(path)
    if not text.isprintable():
        raise UsageError(f"{what} has characters in its path that a unit cannot hold: {text!a}")
    for hidden in _HIDDEN:
        if path.is_relative_to(hidden) or path.resolve().is_relative_to(hidden):
            raise UsageError(
                f"{path}: {what} is below {hidden}, where the service sees an empty folder of its "
                "own; put it into a home directory, or below /opt or /srv"
            )
