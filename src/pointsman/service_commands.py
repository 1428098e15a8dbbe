"""The commands `service unit`, `service install` and `service remove`."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from pointsman.subcommands import DONE, WRONG, adding_to

if TYPE_CHECKING:
    from pointsman.live.unit import Service


_UNIT_FILE = "/etc/systemd/system/pointsman.service"
_SEE = ("docs/small-computer.md",)


def add_service_commands(service: argparse.ArgumentParser) -> None:
    """Add the commands below `service`."""
    add = adding_to(service)

    unit = add(
        "unit", _unit, "print the systemd unit that install would put",
        "pointsman service unit harbour.yaml",
        more="Nothing is changed.",
        examples=("pointsman service unit harbour.yaml --user kahn",),
        exits={2: "the rig is wrong, the account is not there, or the unit could not see a file"},
        heeds={_UNIT_FILE: "names the rig, where RIG is not said"},
        see=_SEE,
    )  # fmt: skip
    install = add(
        "install", _install, "have a rig run as a service from the next boot on",
        "sudo .venv/bin/pointsman service install harbour.yaml --now",
        more="The rig is checked as the account that is to run it. Without RIG the unit is put "
        "anew for the rig that is installed: do so after an update.",
        exits={
            1: "no root, no systemd, an environment that the account cannot read, a unit that "
            "somebody else has written, or a service that does not start",
            2: "the rig is wrong, or the account is not there",
        },
        heeds={_UNIT_FILE: "is written"},
        see=_SEE,
    )  # fmt: skip
    for command in (unit, install):
        command.add_argument(
            "rig", metavar="RIG", nargs="?", help="the rig file; default the one installed last"
        )
        command.add_argument(
            "--user", metavar="NAME", help="the account to run it; default the owner of the rig"
        )
    install.add_argument("--now", action="store_true", help="start it at once, too")
    add(
        "remove", _remove, "stop the service, and have it no more",
        "sudo .venv/bin/pointsman service remove",
        exits={1: "no root, or no systemd"},
        heeds={f"{_UNIT_FILE}, /run/pointsman": "are taken away"},
        see=_SEE,
    )  # fmt: skip


def _unit(options: argparse.Namespace) -> int:
    from pointsman.live.unit import unit_text

    print(unit_text(_service(options)), end="")
    return DONE


def _install(options: argparse.Namespace) -> int:
    from pointsman.live.install import UNIT_PATH, check_as, install, need_systemd_and_root
    from pointsman.live.unit import UNIT, unit_text

    service = _service(options)
    unit_text(service)  # what cannot be written is told before root is asked for
    need_systemd_and_root()
    right, lines = check_as(service.user, service.rig)
    print("\n".join(lines), file=sys.stdout if right else sys.stderr)
    if not right:
        print(f"(read as '{service.user}', who is to run it)", file=sys.stderr)
        return WRONG
    install(service, start=options.now)
    print(f"Installed as {UNIT_PATH}, to run as '{service.user}' from the next boot on.")
    if options.now:
        print(f"It is running. Its log: journalctl -fu {UNIT}")
    else:
        print(f"To start it now: sudo systemctl restart {UNIT}")
    return DONE


def _remove(options: argparse.Namespace) -> int:
    from pointsman.live.install import need_systemd_and_root, remove
    from pointsman.live.unit import UNIT

    need_systemd_and_root()
    print(f"{UNIT} is {'gone' if remove() else 'not installed; nothing to remove'}.")
    return DONE


def _service(options: argparse.Namespace) -> Service:
    from pointsman.live.install import installed_rig, service_for
    from pointsman.rig_file import load_rig

    return service_for(load_rig(options.rig or installed_rig()), options.user)
