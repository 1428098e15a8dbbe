"""sweep: from the arguments to controls that are back where they were, and named."""

from __future__ import annotations

import argparse
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from pointsman.device import Device
from pointsman.device_file import load_device
from pointsman.errors import Problem, RigError
from pointsman.folding import folded
from pointsman.live.client import NoService, ask
from pointsman.probing.choosing import choose
from pointsman.probing.device_text import DeviceTextError, add_control, control_line, new_device
from pointsman.probing.moving import NOTE_EVERY_NS, Move, SweepPlan, sweep
from pointsman.probing.session import Session, note_for, until_told
from pointsman.probing.stage import open_stage
from pointsman.probing.steps import Save
from pointsman.probing.target import Ear, find_target
from pointsman.subcommands import DONE


def sweep_controls(options: argparse.Namespace) -> int:
    """Move them, and name them. Returns the exit code."""
    return until_told(lambda: _Sweeper(options).run())


class _Sweeper:
    def __init__(self, options: argparse.Namespace) -> None:
        self._options = options
        self._session = Session(to_stderr=False)
        self._say = self._session.asking.say
        self._target = find_target(options.output, options.rig)
        self._path, self._device = self._device_file()
        if self._device is not None:
            self._target = replace(self._target, device=self._device)
        known = self._device.channel if self._device else None
        self._channel: int = options.channel or known or 1
        self._names = set(self._device.controls) if self._device else set()

    def run(self) -> int:
        options, session, target = self._options, self._session, self._target
        moves, left_out = choose(options, self._device, self._last_sent().get)
        is_there = session.someone_is_there()
        by_hand = session.typed.is_terminal
        plan = SweepPlan(
            moves,
            self._channel - 1,
            note_for(target, options.note),
            options.velocity,
            -(-options.time // NOTE_EVERY_NS) * NOTE_EVERY_NS,
            options.times or (None if by_hand else 1),
            is_there,
        )
        session.caution(yes=options.yes)
        session.tell_of_service(target)
        with open_stage(target, Ear(), session.typed, session.asking, saver=self._save) as stage:
            self._say(folded(f"Playing to {target.full_name}, on channel {self._channel}."))
            for line in left_out:
                self._say(folded(line))
            named = stage.perform(sweep(plan))
        self._conclude(named)
        return DONE

    def _device_file(self) -> tuple[Path, Device | None]:
        """Where names go, and what stands there already. RigError for a faulty file."""
        target = self._target
        if self._options.device is None and target.device is not None:
            assert target.device_path is not None
            return target.device_path, target.device
        asked = self._options.device
        path = Path(asked) if asked else target.base / "devices" / f"{_file_name(target.name)}.yaml"
        if not path.exists():
            return path, None
        middle_c = target.rig.middle_c_octave if target.rig else 4
        try:
            device, problems = load_device(path, str(path), middle_c)
        except OSError as error:
            problems = [Problem(str(path), 1, 1, "", f"cannot be read: {error.strerror}")]
            device = None
        if problems:
            raise RigError(problems)
        return path, device

    def _last_sent(self) -> dict[int, int]:
        """What a running service sent each control last, on our channel."""
        found: dict[int, int] = {}
        for output in reversed(self._target.played_outputs):
            with suppress(NoService):
                for text in ask({"do": "sent", "output": output}).get("messages", ()):
                    status, *data = bytes.fromhex(text)
                    if status == 0xB0 | (self._channel - 1):
                        found[data[0]] = data[1]
        return found

    def _save(self, step: Save) -> tuple[bool, str]:
        """Write a control under its name; whether it is written, and a line."""
        move: Move = step.control
        if step.name in self._names:
            return False, f"'{step.name}' is another control in {self._path}; type another name"
        span = (move.low, min(move.high, move.home.value) if move.is_loud else move.high)
        remark = f"home is {move.home.why}" if move.home.is_guess else ""
        line = control_line(step.name, move.ref, move.home.value, span, step.about, remark)
        try:
            if not self._path.exists():
                new_device(self._path, self._target.name, self._channel)
            add_control(self._path, step.name, line)
        except OSError as error:
            return False, f"{self._path}: {error.strerror}; write it by hand: {line}"
        except DeviceTextError as error:
            return False, str(error)
        self._names.add(step.name)
        return True, f"written to {self._path} as {step.name}"

    def _conclude(self, named: int) -> None:
        if named and self._target.device_path is None:
            target = self._target
            where = f"for the output {target.name}" if target.rig else "for this output"
            path = self._path
            with suppress(ValueError):
                path = path.relative_to(target.base)
            self._say(f"In the rig, {where}:\n    device: {path}")


def _file_name(name: str) -> str:
    """A name as a file may have it."""
    kept = "".join(c if c.isalnum() else "-" for c in name.lower())
    return "-".join(filter(None, kept.split("-"))) or "synth"
