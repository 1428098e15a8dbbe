"""Asks for what the options have left open, and ends with the plan of a rig.

Each question has an option that answers it; an answer that was given is not asked for, and a wrong
one is refused with the same words. `Usual` in place of a terminal takes what Enter alone would say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from pointsman.asking import Asking, Usual
from pointsman.errors import UsageError
from pointsman.setup.answers import (
    NO_DEVICE,
    UNKNOWN,
    read_channel,
    read_channel_or_unknown,
    read_device_path,
    read_name,
    read_voices_or_unknown,
    read_wire,
)
from pointsman.setup.given import Given
from pointsman.setup.naming import suggest_name
from pointsman.setup.places import Place, Places
from pointsman.setup.plan import DeviceAnswer, Plan, Synth, Wire
from pointsman.setup.port_question import PortQuestion

AnswerT = TypeVar("AnswerT")

_WIRES: tuple[Wire, ...] = ("din", "usb", "free")
_WIRE_TEXTS = (
    "by a MIDI cable (DIN or 3.5 mm), perhaps through an interface",
    "by USB, straight into the synth",
    "it is a program on this computer",
)


class Questions:
    """One interview. `rig` is where the rig goes; device files are named from its folder."""

    def __init__(self, ask: Asking, places: Places, told: Given, rig: Path) -> None:
        self._ask = ask
        self._ports = PortQuestion(ask, places)
        self._told = told
        self._rig = rig
        self._synths: list[Synth] = []

    def plan(self) -> Plan:
        """Ask for everything, from the input to the last synth."""
        source = self._ports.ask(
            "Which port does your sequencer play into?", self._told.input, "--input ", True
        )
        if self._told.outputs:
            for output, port in self._told.outputs.items():
                self._synths.append(self._synth(output, port))
        else:
            self._synths.append(self._synth(None, None))
            while self._ask.yes("Another synth?", False, option="--output NAME=PORT"):
                self._synths.append(self._synth(None, None))
        self._check_clocks()
        return Plan(self._rig.stem, source.port, tuple(self._synths), source.lasting)

    def _answer(
        self,
        told: str | None,
        option: str,
        question: str,
        read: Callable[[str], AnswerT],
        default: str,
    ) -> AnswerT:
        """What the option has said, else what is typed."""
        if told is None:
            return self._ask.until_right(question, read, default, option=option)
        try:
            return read(told)
        except ValueError as error:
            raise UsageError(f"{option.partition('=')[0]}={told}: {error}") from None

    # ---- one synth -------------------------------------------------------------------------------

    def _synth(self, name: str | None, port: str | None) -> Synth:
        told = self._told
        if port is None:
            self._ask.say("")
        number = len(self._synths) + 1
        option = f"--output {name or 'NAME'}="
        question = f"Synth {number}: which port leads to it?"
        place = self._ports.ask(question, port, option, False, [s.port for s in self._synths])
        suggested = suggest_name(place.port, [synth.name for synth in self._synths])
        name = self._name(name, port, suggested)
        device = self._device(name)
        plays = self._answer(
            told.plays.get(name), f"--from {name}=CHANNEL",
            "The sequencer plays it on channel", read_channel, str(self._next_channel()),
        )  # fmt: skip
        synth = Synth(name, place.port, plays, device=device, lasting=place.lasting)
        synth = replace(synth, hears=self._hears(synth), voices=self._voices(synth))
        return self._on_its_cable(synth, place)

    def _name(self, told: str | None, port: str | None, suggested: str) -> str:
        taken = [synth.name for synth in self._synths]
        option = "--output NAME=PORT"
        if told is None:
            read = partial(read_name, taken=taken)
            return self._ask.until_right("Its name in the rig", read, suggested, option=option)
        try:
            return read_name(told, taken)
        except ValueError as error:
            raise UsageError(f"--output {told}={port}: {error}") from None

    def _next_channel(self) -> int:
        used = {synth.plays for synth in self._synths}
        return next((channel for channel in range(1, 17) if channel not in used), 16)

    def _device(self, name: str) -> DeviceAnswer | None:
        default = f"devices/{name}.yaml"

        def read(text: str) -> DeviceAnswer | None:
            folder = self._rig.parent
            device = read_device_path(text, folder, name)
            if device and (folder / device.path).resolve() == self._rig.resolve():
                raise ValueError(f"'{text}' is the rig itself; write another name")
            news = [s.device.path for s in self._synths if s.device and s.device.is_new]
            if device and device.is_new and device.path in news:
                raise ValueError(f"'{device.path}' will be another synth's; write another name")
            return device

        device = self._answer(
            self._told.devices.get(name), f"--device {name}=FILE",
            f"Its device file, new or there ({NO_DEVICE}: none)", read,
            NO_DEVICE if isinstance(self._ask, Usual) else default,
        )  # fmt: skip
        if device is None or device.is_new:
            return device
        facts = [
            f"channel {device.channel}" if device.channel else "no channel",
            f"voices {device.voices}" if device.voices else "no voices",
        ]
        self._ask.say(f"  {device.path}: {device.name}, {', '.join(facts)}.")
        return device

    def _hears(self, synth: Synth) -> int | None:
        name, device = synth.name, synth.device
        option = f"--channel {name}=CHANNEL"
        told = self._told.hears.get(name)

        def read(text: str) -> int | None:
            channel = read_channel_or_unknown(text)
            for other in self._synths:
                same_cable = other.port == synth.port != "null:"
                if same_cable and channel is not None and other.hears == channel:
                    raise ValueError(f"{other.name} hears {channel} on that cable; write another")
            if device and device.channel and channel != device.channel:
                raise ValueError(f"{device.path} says channel {device.channel}; change one of them")
            return channel

        known = str(device.channel) if device and device.channel else None
        question = f"It hears channel (1-16, {UNKNOWN}: not known yet)"
        return self._answer(told or known, option, question, read, UNKNOWN)

    def _voices(self, synth: Synth) -> int | None:
        device = synth.device
        told = self._told.voices.get(synth.name)
        if told is None and device and device.voices:
            return device.voices
        question = f"Notes it can play at once ({UNKNOWN}: not known yet)"
        option = f"--voices {synth.name}=NUMBER"
        voices = self._answer(told, option, question, read_voices_or_unknown, UNKNOWN)
        if device and device.voices and voices != device.voices:
            what = f"{device.path} says voices: {device.voices}; change one of them"
            raise UsageError(f"--voices {synth.name}={told}: {what}")
        return voices

    # ---- its cable -------------------------------------------------------------------------------

    def _on_its_cable(self, synth: Synth, place: Place) -> Synth:
        """Wire and clock: what is one for all synths on one cable is asked once."""
        told = self._told.wires.get(synth.name)
        wire = read_told_wire(synth.name, told) if told else None
        no_clock = synth.name in self._told.no_clock
        before = [each for each in self._synths if each.port == synth.port != "null:"]
        if before:
            first = before[0]
            self._ask.say(f"  {synth.name} is on the cable of {first.name}: one wire, one clock.")
            clock = not no_clock if self._told.no_clock else first.clock
            return replace(synth, wire=wire or first.wire, clock=clock)
        if wire is None and place.asks_wire:
            wire = self._wire(synth.name, place.wire)
        if no_clock or synth.port == "null:":
            return replace(synth, wire=wire, clock=not no_clock)
        question = "Does it need clock and Start, for an arpeggio, echo or pattern of its own?"
        option = f"--no-clock {synth.name}"
        return replace(synth, wire=wire, clock=self._ask.yes(question, True, option=option))

    def _wire(self, name: str, likely: Wire) -> Wire:
        if isinstance(self._ask, Usual):
            return likely
        self._ask.say(f"How is {name} connected?")
        default = _WIRES.index(likely) + 1
        option = f"--wire {name}=WIRE"
        return _WIRES[self._ask.choice("Number", _WIRE_TEXTS, default, option=option) - 1]

    def _check_clocks(self) -> None:
        """A cable cannot carry a clock to one synth and keep it from another."""
        for name in sorted(self._told.no_clock):
            port = next(synth.port for synth in self._synths if synth.name == name)
            for other in self._synths:
                if other.port == port != "null:" and other.clock:
                    raise UsageError(
                        f"--no-clock {name}: {other.name} is on the same cable and gets the "
                        f"clock, so {name} hears it too; give it for both, or for neither"
                    )


def read_told_wire(name: str, told: str) -> Wire:
    """What `--wire` says; UsageError where it is none."""
    try:
        return read_wire(told)
    except ValueError as error:
        raise UsageError(f"--wire {name}={told}: {error}") from None
