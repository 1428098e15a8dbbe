"""Reloads a rig a thousand times while notes and clock stream through it.

    python tests/soak/reloads.py [--reloads N] [--rate MESSAGES_A_SECOND]

Every reload changes what the chains do to notes: another channel, another octave, an entry more or
less. Printed: whether every note-on got its note-off at its own place on every output, whether
every clock came through once, how long the reloads took, and what the service held of memory,
threads and files. It needs an ALSA sequencer.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from rigging import Cost, find, running

from pointsman.io_rtmidi import missing
from pointsman.tables import table

HEAD = """\
input: {{port: "virtual:Harbour Stage"}}
outputs:
  tug:
    port: "virtual:Harbour Tug"
    chain:
      - {{plugin: channel_remap, map: {{1: {channel}}}}}
      - {{plugin: cc_reset, controls: {{74: 64}}, after: 50ms}}
{more}
  gull:
    port: "virtual:Harbour Gull"
    chain:
      - {{plugin: transpose, semitones: {semitones}}}
      - {{plugin: note_limit, voices: {voices}}}
"""
MORE = ("", "      - {plugin: velocity, to: [1, 100]}", "      - {plugin: note_guard}")
NOTES, CLOCK = 7, 3
"""Of ten messages so many are notes, and so many clock."""


def text_of(number: int) -> str:
    """The rig as it is for this reload."""
    return HEAD.format(
        channel=1 + number % 16,
        semitones=number % 25 - 12,
        voices=2 + number % 3,
        more=MORE[number % 3],
    )


class Player(threading.Thread):
    """Plays until told to stop, and then lets go of everything."""

    def __init__(self, rate: int) -> None:
        super().__init__(daemon=True)
        import rtmidi

        self._midi = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="player")
        self._midi.open_port(find(self._midi, "Harbour Stage"))
        self._gap_s = 1 / rate
        self.clocks = self.sent = 0
        self.done = threading.Event()

    def run(self) -> None:
        draw = random.Random(7)
        held: list[int] = []
        due_s = time.monotonic()
        while not self.done.is_set():
            if draw.randrange(NOTES + CLOCK) < CLOCK:
                self._send([0xF8])
                self.clocks += 1
            elif held and draw.random() < 0.5:
                self._send([0x80, held.pop(draw.randrange(len(held))), 64])
            else:
                note = draw.randrange(36, 84)
                if note not in held:
                    held.append(note)
                    self._send([0x90, note, 100])
                    self._send([0xB0, 74, draw.randrange(128)])
            due_s += self._gap_s
            time.sleep(max(0.0, due_s - time.monotonic()))
        for note in held:
            self._send([0x80, note, 64])

    def _send(self, message: list[int]) -> None:
        self._midi.send_message(message)
        self.sent += 1


class Ear:
    """Hears one output."""

    def __init__(self, name: str) -> None:
        import rtmidi

        self.ons: Counter[tuple[int, int]] = Counter()
        self.strays = self.clocks = self.messages = 0
        self._midi = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="ear", queue_size_limit=1 << 16)
        self._midi.ignore_types(sysex=False, timing=False, active_sense=False)
        self._midi.set_callback(self._hear)
        self._midi.open_port(find(self._midi, name))

    def _hear(self, event: tuple[list[int], float], data: Any = None) -> None:
        message = event[0]
        self.messages += 1
        if message[0] == 0xF8:
            self.clocks += 1
        elif message[0] & 0xF0 == 0x90 and message[2]:
            self.ons[message[0] & 0x0F, message[1]] += 1
        elif message[0] & 0xF0 in (0x80, 0x90):
            place = (message[0] & 0x0F, message[1])
            self.strays += not self.ons[place]
            self.ons[place] = max(0, self.ons[place] - 1)

    @property
    def left(self) -> int:
        """How many notes sound."""
        return sum(self.ons.values())


def main() -> None:
    """Reload, and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--reloads", type=int, default=1000)
    parser.add_argument("--rate", type=int, default=300)
    options = parser.parse_args()
    if lacking := missing():
        raise SystemExit(f"nothing done: {lacking}")
    with tempfile.TemporaryDirectory() as place, running(text_of(0), Path(place)) as run:
        rig = Path(place, "rig.yaml")
        ears = {name: Ear(f"Harbour {name.title()}") for name in ("tug", "gull")}
        player = Player(options.rate)
        player.start()
        took, refused, begin = [], 0, Cost.of(run.pid)
        for number in range(1, options.reloads + 1):
            rig.write_text(text_of(number), "utf-8")
            asked_s = time.monotonic()
            refused += not run.ask({"do": "reload"})["ok"]
            took.append(time.monotonic() - asked_s)
            if number == min(20, options.reloads):
                begin = Cost.of(run.pid)
        player.done.set()
        player.join()
        time.sleep(1)
        end, latency = Cost.of(run.pid), run.status()["latency_us"]
        received, errors = run.status()["input"]["received"], run.errors
    rows = [
        (name, str(e.messages), f"{e.clocks} of {player.clocks}", str(e.left), str(e.strays))
        for name, e in ears.items()
    ]
    print(table(("output", "messages", "clocks", "left sounding", "stray note-offs"), rows))
    took.sort()
    print(f"{options.reloads} reloads, {refused} refused; asked to answered: median "
          f"{took[len(took) // 2] * 1000:.0f} ms, longest {took[-1] * 1000:.0f} ms")  # fmt: skip
    print(f"played {player.sent}, received {received}; latency inside {latency} us")
    print(f"begin {begin}\nend   {end}\nerrors in the log: {len(errors)} {errors[:3]}")


if __name__ == "__main__":
    main()
