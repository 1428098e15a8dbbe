"""A newcomer's walk: from nothing to a rig that plays, at a real terminal, in under five minutes.

What is counted is what a person needs: to type, to read, to think. How long the machine takes is
not, since it may be an emulated one.
"""

from __future__ import annotations

import os
import re
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import mido
import pexpect
import pytest
from sequencer import PATIENCE_S, on_alsa, play, ports
from soft_synth import SoftSynth, soft_synth

from pointsman.cli import _parser

pytestmark = on_alsa

KEYS_PER_S = 3.5
"""How fast a person types; the mean of 168,000 people is 52 words a minute, 4.3 keys a second
(Dhakal and others, "Observations on Typing from 136 Million Keystrokes", CHI 2018; from memory)."""

WORDS_PER_S = 3.5
"""How fast a person reads; the mean of adults is 238 words a minute, 4 a second (Brysbaert, "How
many words do we read per minute?", 2019; from memory)."""

THINKING_S = 2.0
"""Before each answer; our assumption."""

SAME_NOTE_S = 0.9
"""For so long after a note began it is still that one."""

LIMIT_S = 5 * 60
PROMPT = "quay> "
CHANNEL = 5
FINDS = "find-channel" in _parser().format_help()


def _hear_ctrl_c() -> None:
    """Where the tests are run in the background the signal is ignored, and stays so in a shell."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


class Newcomer:
    """A person at a terminal of 80 columns; `spent_s` is the time that they would have needed."""

    def __init__(self, folder: Path) -> None:
        binaries = folder / "bin"
        binaries.mkdir()
        command = binaries / "pointsman"
        command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m pointsman.cli "$@"\n')
        command.chmod(0o755)
        environment = {
            **os.environ,
            "PATH": f"{binaries}:{os.environ['PATH']}",
            "PS1": PROMPT,
            "TERM": "dumb",
        }
        self.spent_s = 0.0
        self.screen = ""
        self._shell: Any = pexpect.spawn(
            "bash", ["--norc", "--noprofile"], cwd=str(folder), env=environment,
            encoding="utf-8", dimensions=(24, 80), timeout=PATIENCE_S, preexec_fn=_hear_ctrl_c,
        )  # fmt: skip
        self._shell.expect_exact(PROMPT)

    def reads(self, question: str = PROMPT) -> str:
        """Wait for a question (the shell's, if it is not said), and read all that came before."""
        self._shell.expect_exact(question)
        self.screen = str(self._shell.before)
        self.spent_s += len((self.screen + question).split()) / WORDS_PER_S
        return self.screen

    def types(self, text: str = "") -> None:
        """Think, type a line, press Enter; the terminal's echo is not read."""
        self.spent_s += THINKING_S + (len(text) + 1) / KEYS_PER_S
        self._shell.send(f"{text}\n")
        self._shell.expect_exact("\r\n")

    def answers(self, question: str, text: str = "") -> None:
        """Read up to a question and answer it."""
        self.reads(question)
        self.types(text)

    def runs(self, command: str) -> str:
        """Type a command and read what it prints."""
        self.types(command)
        return self.reads()

    def presses_ctrl_c(self) -> None:
        """One more key."""
        self.spent_s += 1 / KEYS_PER_S
        self._shell.sendcontrol("c")

    def _sees(self, *texts: str) -> str | None:
        """Which of the texts has come by now, if any; what came before it is read."""
        place = self._shell.expect_exact([*texts, pexpect.TIMEOUT], timeout=0.05)
        return texts[place] if place < len(texts) else None

    def presses_enter_when_it_sounds(self, synth: SoftSynth, *until: str) -> str:
        """Listen, and press Enter at each note, until one of the texts comes; which it was.

        This takes its real time, and is counted so.
        """
        began_s, since, quiet_until_s = time.monotonic(), synth.mark(), 0.0
        while (seen := self._sees(*until)) is None:
            if time.monotonic() < quiet_until_s:
                since = synth.mark()
            elif synth.sounds(since, 0):
                self._shell.send("\n")
                quiet_until_s = time.monotonic() + SAME_NOTE_S
        self.spent_s += time.monotonic() - began_s
        return seen

    def answers_what_it_hears(self, synth: SoftSynth, question: str, *until: str) -> str:
        """Answer one question after the other with y or n, until another text comes: which."""
        since = synth.mark()
        while True:
            seen = self._sees(question, *until)
            if seen and seen != question:
                return seen
            if seen == question:
                self._shell.expect_exact(": ")
                self.types("y" if synth.sounds(since, 0) else "n")
                self.spent_s += len(question.split()) / WORDS_PER_S
                time.sleep(SAME_NOTE_S)  # the last note dies away
                since = synth.mark()

    def number_of(self, name: str) -> str:
        """The number of a port in the list that stands on the screen."""
        found = re.search(rf"^ +(\d+)  {re.escape(name)}", self.screen, re.MULTILINE)
        assert found, f"'{name}' is not offered:\n{self.screen}"
        return found[1]

    def leaves(self) -> None:
        """Close the terminal, and have whatever runs in it end."""
        self._shell.kill(signal.SIGKILL)
        with suppress(pexpect.ExceptionPexpect):
            self._shell.close(force=True)


@contextmanager
def newcomer(folder: Path) -> Iterator[Newcomer]:
    person = Newcomer(folder)
    try:
        yield person
    finally:
        person.leaves()


@pytest.fixture(scope="module")
def synth(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoftSynth]:
    with soft_synth(CHANNEL, tmp_path_factory.mktemp("synth")) as found:
        yield found


def song(path: Path, channel: int) -> Path:
    file = mido.MidiFile(type=0)
    track = file.add_track()
    for note in (60, 64, 67):
        track.append(mido.Message("note_on", channel=channel - 1, note=note, time=20))
        track.append(mido.Message("note_off", channel=channel - 1, note=note, time=200))
    file.save(path)
    return path


def test_the_synth_hears_its_channel_and_no_other(synth: SoftSynth, tmp_path: Path) -> None:
    """What the walk rests on."""
    for channel in (1, CHANNEL + 1, CHANNEL):
        since = synth.mark()
        play(song(tmp_path / "song.mid", channel), synth.port.address)
        assert synth.sounds(since) == (channel == CHANNEL)


def finds_the_channel(person: Newcomer, synth: SoftSynth) -> None:
    """Nobody knows how the synth is set: notes on all channels tell.

    Where the machine stumbles the person hears a note late, and tries again; that is not counted.
    """
    before_s = person.spent_s
    found = f"hears channel {CHANNEL}, as you heard it."
    for _ in range(3):
        person.spent_s = before_s
        person.types("pointsman find-channel tug --rig harbour.yaml")
        person.answers("Is the sound turned down (y/n) [n]: ", "y")
        person.reads("Press Enter each time you hear the note:")
        sure, unheard = "Now one channel at a time", "Once more, an octave away (y/n)"
        if person.presses_enter_when_it_sounds(synth, sure, unheard) == unheard:
            person.answers(": ", "n")
        question = "Did you hear it on channel"
        if person.answers_what_it_hears(synth, question, found, PROMPT) == found:
            person.answers("into devices/tug.yaml (y/n) [y]: ")
            assert "Written: " in person.reads()
            return
    pytest.fail(f"the channel was not found:\n{person.screen}")


def test_from_nothing_to_a_rig_that_plays_in_under_five_minutes(
    synth: SoftSynth, tmp_path: Path
) -> None:
    through = next(port for port in ports() if port.client_name == "Midi Through")
    with newcomer(tmp_path) as person:
        person.types("pointsman init harbour.yaml")
        person.reads("Its number, or a name [1]: ")
        person.types(person.number_of("Midi Through"))
        person.reads("Its number, or a name [1]: ")
        person.types(person.number_of(synth.port.client_name))
        person.answers("Its name in the rig", "tug")
        person.answers("Its device file")
        person.answers("on channel [1]: ")
        person.answers("It hears channel", "?" if FINDS else str(CHANNEL))
        person.answers("Notes it can play at once", "8")
        person.answers("Number [3]: ")
        person.answers("Does it need clock", "n")
        person.answers("Another synth?")
        person.answers("Write harbour.yaml?")
        assert "Next:" in person.reads()
        if FINDS:
            finds_the_channel(person, synth)
            person.runs(f"sed -i 's/{{1: 1}}/{{1: {CHANNEL}}}/' harbour.yaml")
        checked = person.runs("pointsman check harbour.yaml")
        assert "harbour.yaml: right." in checked
        assert "warning" not in checked
        person.types("pointsman run harbour.yaml")
        person.reads("ready")
        for channel, sounds in ((2, False), (1, True)):
            since = synth.mark()
            play(song(tmp_path / f"song{channel}.mid", channel), through.address)
            assert synth.sounds(since) == sounds
        person.presses_ctrl_c()
        person.reads()
        assert person.runs("echo $?").strip() == "0"
        print(f"a newcomer needs {person.spent_s:.0f} s")
        assert person.spent_s < LIMIT_S
