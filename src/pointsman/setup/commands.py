"""The command `init`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from pointsman.subcommands import DONE, Add

if TYPE_CHECKING:
    from pointsman.asking import Asking
    from pointsman.errors import Problem
    from pointsman.setup.plan import Plan

USUAL_FILE = "rig.yaml"
GREETING = "Enter alone takes what stands in [brackets]. Ctrl-C ends this, and nothing is written."
CAUTION = (
    "Turn speakers and headphones down before you plug anything in or start a rig: a wrong patch "
    "can be far louder than you expect."
)


def add_init_command(add: Add) -> None:
    """Add it to the command line."""
    init = add(
        "init", _init, "write a first rig, from questions or from options", _EXAMPLE,
        more="The rig has comments that say why each part is there; small device files are written "
        "beside it. What the options do not say is asked, or is as usual with --yes. All files are "
        "written, or none.",
        examples=(
            "pointsman init",
            'pointsman init harbour.yaml --input "Stage Sequencer" --output tug="Quay 1"',
            "pointsman init quay.yaml --force --yes --input virtual:Quay --output tug=virtual:Tug"
            " --wire tug=din --device tug=devices/tug.yaml --no-clock tug",
        ),
        exits={2: "an option is wrong, an answer is missing, or RIG is there already"},
        see=("docs/first-rig.md", "docs/ports.md"),
    )  # fmt: skip
    init.add_argument(
        "rig", metavar="RIG", nargs="?", help=f"the file to write; default {USUAL_FILE}"
    )
    init.add_argument("--input", metavar="PORT", help="the port that the sequencer plays into")
    for option, metavar, dest, text in (
        ("--output", "NAME=PORT", "output", "an output, and the port that leads to its synth"),
        ("--from", "NAME=CHANNEL", "plays", "the channel of the input that is meant for it; "
         "default 1 for the first output, 2 for the second"),
        ("--channel", "NAME=CHANNEL", "channel", "the channel that the synth hears"),
        ("--voices", "NAME=NUMBER", "voices", "how many notes it can play at once"),
        ("--wire", "NAME=WIRE", "wire", "din (a MIDI cable), usb, free, or bytes a second"),
        ("--device", "NAME=FILE", "device", "its device file, counted from the rig; one that is "
         "not there is written"),
    ):  # fmt: skip
        init.add_argument(
            option, metavar=metavar, dest=dest, type=_pair, action="append", default=[], help=text
        )
    init.add_argument(
        "--no-clock", metavar="NAME", action="append", default=[],
        help="keep clock and Start from this output",
    )  # fmt: skip
    init.add_argument(
        "--yes", action="store_true", help="ask nothing: what is not said is as usual"
    )
    init.add_argument("--force", action="store_true", help="write over a rig that is there")


_EXAMPLE = "pointsman init quay.yaml --input virtual:Quay --output tug=null: --channel tug=5 --yes"


def _pair(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not (name and equals and value):
        raise argparse.ArgumentTypeError(f"'{text}' is not NAME=VALUE; write like tug=5")
    return name, value


def _init(options: argparse.Namespace) -> int:
    try:
        return _make(options)
    except KeyboardInterrupt:
        print("\nNothing is written.", file=sys.stderr)
        raise


def _make(options: argparse.Namespace) -> int:
    from pointsman.asking import Asking, Usual
    from pointsman.setup.files import put
    from pointsman.setup.given import given
    from pointsman.setup.places import Places
    from pointsman.setup.questions import Questions
    from pointsman.setup.rig_text import device_text, rig_text

    told = given(options)
    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="replace")  # bytes that are no UTF-8 are a wrong answer
    ask = Usual(sys.stdout) if options.yes else Asking(sys.stdin, sys.stdout)
    if not options.yes:
        ask.prose(GREETING)
        ask.prose(CAUTION)
        ask.say("")
    rig = _file(options, ask)
    if rig is None:
        return DONE
    over = rig.exists()  # and that is meant
    plan = Questions(ask, Places(), told, rig).plan()
    if not options.yes and not ask.yes(f"Write {rig}?", True, option="--yes"):
        ask.say("Nothing is written.")
        return DONE
    shown = quote(str(rig))
    devices = {
        rig.parent / device.path: device_text(synth, shown) for device, synth in plan.new_devices()
    }
    warnings = put(rig, rig_text(plan, shown), devices, over=over)
    if not options.yes:
        ask.say("")
    _tell(ask, rig, plan, list(devices), warnings)
    return DONE


def _file(options: argparse.Namespace, ask: Asking) -> Path | None:
    """Where the rig goes; None where the player keeps what is there. UsageError in a script."""
    from pointsman.errors import UsageError
    from pointsman.setup.answers import read_rig_path

    if options.rig is None:
        rig = ask.until_right("The file for the rig", read_rig_path, USUAL_FILE, option="RIG")
    else:
        try:
            rig = read_rig_path(options.rig)
        except ValueError as error:
            raise UsageError(str(error)) from None
    if not rig.exists() or options.force:
        return rig
    if options.yes:
        raise UsageError(f"{rig}: is there already; name another file, or write over it: --force")
    if ask.yes(f"{rig} is there already. Write over it?", False, option="--force"):
        return rig
    ask.say(f"{rig} stays as it is.")
    return None


def _tell(ask: Asking, rig: Path, plan: Plan, devices: list[Path], warnings: list[Problem]) -> None:
    """What was written, what is not known yet, and what to do next."""
    from pointsman.errors import warning

    ask.say(f"Written: {', '.join(map(str, [rig, *devices]))}")
    for problem in warnings:
        ask.say(warning(problem))
    ask.say("Next:")
    shown = quote(str(rig))
    unknown = [synth.name for synth in plan.synths if synth.hears is None]
    for name in unknown:
        ask.say(f"  pointsman find-channel {quote(name)} --rig {shown}")
        ask.say(f"      which channel {name} hears; then write it into the rig")
    ask.say(f"  pointsman check {shown}")
    ask.say("      after each change; the rig is a text file, open it and read it")
    ask.say(f"  pointsman run {shown}")
    ask.say("      to play. Turn the volume down first, and bring it up slowly")
    ask.say(f"  sudo .venv/bin/pointsman service install {shown} --now")
    ask.say("      to have it played whenever this computer gets power")
