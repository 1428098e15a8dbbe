"""Pulls a USB plug and puts it back, again and again, while notes are played.

    python tests/soak/replug.py [--pulls N]

One USB MIDI device is both what is played and one of two synths. It needs root, an ALSA sequencer
and the program `usbmidi`, which plugs a device that the kernel plays itself. Printed: how soon a
pull was noticed and healed, what was left sounding on either synth, and what the service held of
memory, threads, files and sequencer clients, from the tenth pull to the last.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import astuple
from pathlib import Path
from typing import Any

from rigging import Cost, find, running, sound_of, until

DEVICE = "Gull"
RIG = """\
input: {port: "Gull MIDI"}
outputs:
  gull: {port: "Gull MIDI", chain: [{plugin: channel_remap, map: {1: 3}}]}
  tug: {port: "virtual:Harbour Tug", chain: [{plugin: cc_reset, controls: {74: 64}}]}
"""
SETTLE_S = 0.4
LOOKS = 8
"""How often it is looked at what the service holds."""


class Far:
    """The far side: plays the device, and hears it and the tug, as the synths would."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.heard_tug: list[bytes] = []
        self.sounding: set[tuple[int, int]] = set()
        self.sounding_tug: set[tuple[int, int]] = set()
        self._ports: list[Any] = []
        self._tug = self._listen("Harbour Tug", self.heard_tug)

    def _listen(self, name: str, heard: list[bytes]) -> Any:
        import rtmidi

        midi = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="far")
        midi.ignore_types(sysex=False, timing=False, active_sense=False)
        midi.set_callback(lambda event, data=None: heard.append(bytes(event[0])))
        midi.open_port(find(midi, name))
        return midi

    def plug(self) -> None:
        """Connect to the device's own side, which comes and goes with the plug."""
        import rtmidi

        play = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="far")
        play.open_port(find(play, "f_midi"))
        self._ports = [play, self._listen("f_midi", self.heard)]
        self.send = play.send_message

    def unplug(self) -> None:
        """The device is gone."""
        for port in self._ports:
            port.delete()

    def settle(self) -> None:
        """Hear what has come since."""
        for heard, sounding in (
            (self.heard, self.sounding),
            (self.heard_tug, self.sounding_tug),
        ):
            sound_of(heard[:], sounding)
            heard.clear()


def usbmidi(*words: str) -> None:
    """Plug or unplug."""
    subprocess.run(["usbmidi", *words], check=True)


def clients() -> int:
    """How many clients the sequencer has."""
    text = Path("/proc/asound/seq/clients").read_text("utf-8")
    return len(re.findall(r"^Client +\d+", text, re.MULTILINE))


def pull_once(run: Any, far: Far, draw: random.Random) -> tuple[float, float]:
    """Play, pull in the middle of it, put it back; how soon it was noticed, and healed."""
    lost = run.status()["outputs"]["gull"]["times_lost"]
    pull_at = draw.randrange(5, 40)
    held: list[int] = []
    for n in range(pull_at):
        if held and draw.random() < 0.45:
            far.send([0x80, held.pop(draw.randrange(len(held))), 64])
        else:
            note = draw.randrange(36, 84)
            if note not in held:
                held.append(note)
                far.send([0x90, note, 100])
        if n % 4 == 0:
            far.send([0xB0, 74, draw.randrange(128)])
        time.sleep(0.002)
    usbmidi("unplug", DEVICE)
    noticed_s = until(
        lambda: run.status()["outputs"]["gull"]["times_lost"] > lost, "that it is noticed"
    )
    far.unplug()
    time.sleep(draw.random() * 0.3)
    # A synth is there as soon as its plug is; the one that we play takes a moment, so wait for it.
    os.kill(run.pid, signal.SIGSTOP)
    usbmidi("plug", DEVICE)
    far.plug()
    os.kill(run.pid, signal.SIGCONT)

    def healed() -> bool:
        status = run.status()
        return {status["outputs"]["gull"]["state"], status["input"]["state"]} == {"open"}

    healed_s = until(healed, "that it is healed")
    return noticed_s, healed_s


def main() -> None:
    """Pull, and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--pulls", type=int, default=200)
    pulls = parser.parse_args().pulls
    if shutil.which("usbmidi") is None:
        raise SystemExit("nothing done: there is no program usbmidi here")
    draw = random.Random(5)
    usbmidi("plug", DEVICE)
    noticed, healed, hung = [], [], 0
    with tempfile.TemporaryDirectory() as folder, running(RIG, Path(folder), "--wait") as run:
        until(lambda: run.status()["input"]["state"] == "open", "the input")
        far = Far()
        far.plug()
        looks = {min(10, pulls), *(pulls * part // LOOKS for part in range(1, LOOKS + 1))}
        print("pulls, KiB, threads, files, clients", flush=True)
        for number in range(pulls):
            noticed_s, healed_s = pull_once(run, far, draw)
            noticed.append(noticed_s)
            healed.append(healed_s)
            time.sleep(SETTLE_S)
            far.settle()
            if far.sounding or far.sounding_tug:
                hung += 1
                print(f"pull {number}: left {far.sounding} {far.sounding_tug}", flush=True)
                far.sounding.clear()
                far.sounding_tug.clear()
            if number + 1 in looks:
                print(number + 1, *astuple(Cost.of(run.pid)), clients(), sep=", ", flush=True)
        errors, others = run.errors, run.other_lines
    for what, times in (("noticed", noticed), ("healed", healed)):
        times.sort()
        print(f"{what}: median {times[len(times) // 2]:.2f} s, longest {times[-1]:.2f} s")
    print(f"pulls that left a note sounding: {hung} of {pulls}; errors in the log: {len(errors)}")
    for line in [*map(str, errors[:5]), *others[-20:]]:
        print(line)


if __name__ == "__main__":
    main()
