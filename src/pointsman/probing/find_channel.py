"""find-channel: from the arguments to the verdict."""

from __future__ import annotations

import argparse
import json
from contextlib import ExitStack

from pointsman import io_rtmidi
from pointsman.errors import PointsmanError, PortError, UsageError
from pointsman.folding import folded
from pointsman.ports.names import without_numbers
from pointsman.ports.resolve import SYSTEM
from pointsman.probing import verdict
from pointsman.probing.device_text import DeviceTextError, set_channel
from pointsman.probing.meter import Meter, sound_meter
from pointsman.probing.search import ALL_CHANNELS, By, Finding, Kind, Plan, search
from pointsman.probing.session import Session, note_for, until_told
from pointsman.probing.stage import open_stage
from pointsman.probing.target import Ear, Target, find_ear, find_target
from pointsman.subcommands import DONE


def find_channel(options: argparse.Namespace) -> int:
    """Find it, say it, and write it down if that is wanted. Returns the exit code."""
    return until_told(lambda: _Finder(options).run())


class _Finder:
    def __init__(self, options: argparse.Namespace) -> None:
        self._options = options
        self._session = Session(to_stderr=options.json)
        self._say = self._session.asking.say

    def run(self) -> int:
        options, session = self._options, self._session
        target = find_target(options.output, options.rig)
        ear = find_ear(target, options.listen)
        note = note_for(target, options.note)
        has_meter = bool(options.meter or options.audio)
        plan = Plan(
            note=note,
            velocity=options.velocity,
            channels=options.channels or ALL_CHANNELS,
            has_input=ear.full_name is not None,
            has_meter=has_meter,
            has_person=session.someone_is_there(),
        )
        if not (plan.has_input or plan.has_meter or plan.has_person):
            raise UsageError(
                "nobody is there to hear the note: run it at a terminal, or give --listen PORT, "
                "--meter COMMAND or --audio"
            )
        session.caution(yes=options.yes)
        session.tell_of_service(target)
        with ExitStack() as stack:
            meter = self._meter(stack) if has_meter else None
            stage = stack.enter_context(
                open_stage(target, ear, session.typed, session.asking, meter)
            )
            self._introduce(target, ear)
            finding = stage.perform(search(plan))
        return self._conclude(finding, target, note)

    def _meter(self, stack: ExitStack) -> Meter:
        command, device = self._options.meter, self._options.audio
        meter = Meter(command) if command else sound_meter(device)
        stack.callback(meter.close)
        return meter

    def _introduce(self, target: Target, ear: Ear) -> None:
        if ear.full_name is None:
            self._say(folded(f"Playing to {target.full_name}; {ear.why_not}."))
        else:
            self._say(folded(f"Playing to {target.full_name}, listening to {ear.full_name}."))

    def _conclude(self, finding: Finding, target: Target, note: int) -> int:
        if self._options.json:
            print(json.dumps({"output": target.name, "note": note, **finding.as_dict()}, indent=2))
        else:
            self._say("")
            print(verdict.show(finding, target, note, _other_ports(target)), flush=True)
        if finding.kind is Kind.NONE:
            what = "nothing came back" if finding.by is By.MIDI else "no sound"
            raise PointsmanError(f"{target.name}: {what} on any channel that was tried")
        if finding.kind is Kind.ONE:
            self._write(target, finding.channels[0])
        return DONE

    def _write(self, target: Target, channel: int) -> None:
        """Write the channel into the device file, where there is one and it is wanted."""
        path, device = target.device_path, target.device
        if path is None or device is None:
            if self._options.write:
                raise UsageError(
                    f"--write: the rig names no device file for {target.name}; write one, and "
                    "name it with device:"
                )
            return
        if device.channel == channel:
            return
        if not self._options.write and not (
            self._session.typed.is_terminal
            and self._session.asking.yes(f"Write channel: {channel} into {path}", True)
        ):
            return
        try:
            set_channel(path, channel)
        except DeviceTextError as error:
            raise PointsmanError(str(error)) from None
        self._say(f"Written: {path}.")


def _other_ports(target: Target) -> list[str]:
    if target.backend is not SYSTEM:
        return []
    try:
        names = io_rtmidi.port_names(is_input=False)
    except PortError:
        return []
    others = [name for name in names if name != target.full_name]
    return [without_numbers(name) for name in others if "Midi Through" not in name]
