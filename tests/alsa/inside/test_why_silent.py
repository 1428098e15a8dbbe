"""Why a synth is silent, on real ports: a running service, a peer that plays, and planted faults.

One service has them all. Faults that need only what every sequencer plays are outputs of one rig;
one whose fault is what the sequencer does has a song of its own, with ports of its own.
Every output's port is connected to aseqdump, as to a synth, but for one that is not.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path

import pytest
from sequencer import PATIENCE_S, on_alsa, pointsman, ports, running, until

from pointsman.errors import PointsmanError
from pointsman.live.client import NoService, ask
from pointsman.rig_file import load_rig
from pointsman.why.judging import Verdict, judge
from pointsman.why.sources import from_service
from silences import FAULTS, HEALTHY, PLAYED, REMAP, Fault, rig_text, write_beside

pytestmark = on_alsa

STAGE = "Harbour Stage"
TUG = "Harbour Plug"
AT_LEAST = 18
"""So many of the twenty must be named first."""

UNPLAYED = [f for f in FAULTS if not f.played or f.verdict == "clock_only"]
SHARED = [f for f in [*FAULTS, *HEALTHY] if list(f.played) == PLAYED and not (f.before or f.live)]
ALONE = [f for f in [*FAULTS, *HEALTHY] if not (f in SHARED or f in UNPLAYED or f.live)]
PLUGGED = [f for f in FAULTS if f.live]


def write_set(folder: Path) -> Path:
    """The rig with the shared faults and the plugged one, and a song for each of the others."""
    write_beside(folder)
    source = f"virtual:{STAGE}"
    songs = []
    for number, fault in enumerate(ALONE, 1):
        text = rig_text([fault], source, "virtual:Song {name}", first=100 + number)
        (folder / f"song{number}.yaml").write_text(text)
        songs.append(f"    song{number}: song{number}.yaml\n")
    text = rig_text(SHARED, source, "virtual:Quay {name}")
    more = [("plugged", TUG), ("lonely", "virtual:Lonely")]
    outputs = "".join(
        f'  {name}:\n    port: "{port}"\n    device: tug.yaml\n    chain: [{REMAP}]\n'
        for name, port in more
    )
    text = text.replace("outputs:\n", f"outputs:\n{outputs}", 1)
    path = folder / "harbour.yaml"
    path.write_text(f"{text}songs:\n  rigs:\n{''.join(songs)}")
    return path


class Stage:
    """The running service, and who plays and asks."""

    def __init__(self, rig: Path) -> None:
        import rtmidi

        self.socket = rig.parent / "control" / "control.sock"
        self._rig = load_rig(rig)  # once: an emulated machine takes a second for it
        self._out = rtmidi.MidiOut()
        (index,) = [n for n, name in enumerate(self._out.get_ports()) if STAGE in name]
        self._out.open_port(index)
        self.wrong: dict[str, str] = {}

    def play(self, fault: Fault) -> None:
        """In real time."""
        played = [*((0, bytes.fromhex(text)) for text in fault.before), *fault.played]
        begun_ns = time.monotonic_ns()
        for t_ns, data in played:
            time.sleep(max(begun_ns + t_ns - time.monotonic_ns(), 0) / 1e9)
            self._out.send_message(data)

    def why(self, output: str) -> Verdict:
        """The verdict, as soon as the service has time to answer: the machine may be emulated."""
        found: list[Verdict] = []

        def answered() -> bool:
            with suppress(PointsmanError):
                found.append(judge(from_service(output, self.socket, self._rig)))
            return bool(found)

        until(answered, f"an answer about {output}")
        return found[0]

    def judge(self, fault: Fault, output: str) -> None:
        """Ask, and keep what is named in place of the planted fault."""
        verdict = self.why(output)
        kinds = [f"{finding.kind} {finding.score:.0f}" for finding in verdict.findings]
        print(f"{fault.name}: {', '.join(kinds)}")
        if verdict.first.kind != fault.verdict:
            self.wrong[fault.name] = f"{kinds[0]} and not {fault.verdict}"

    def changes_to(self, song: int) -> bool:
        """Ask for a song; whether it plays."""
        with suppress(PointsmanError):
            ask({"do": "song", "song": song}, self.socket)
            return bool(ask({"do": "status"}, self.socket).get("song") == f"song{song}")
        return False

    def close(self) -> None:
        self._out.close_port()
        self._out.delete()


@contextmanager
def listening() -> Iterator[None]:
    """Connect every output of the service to a program that listens, as to a synth."""
    own = [port.address for port in ports("-i") if port.name.startswith(("Quay ", "Song "))]
    command = ["aseqdump", "-p", ",".join(own)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until(lambda: all(port.connections for port in ports("-i") if port.address in own), "it")
        yield
    finally:
        process.kill()
        process.wait()


def answers(socket: Path) -> bool:
    """Whether the service can be asked by now; on an emulated machine that takes its time."""
    try:
        return bool(ask({"do": "status"}, socket)["ok"])
    except NoService:
        return False


def plug(do: str) -> None:
    subprocess.run(["usbmidi", do, TUG], check=True, timeout=PATIENCE_S)


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    folder = tmp_path_factory.mktemp("why")
    if shutil.which("usbmidi") is None:
        pytest.skip("needs the program usbmidi, which makes USB MIDI devices come and go")
    plug("plug")
    with ExitStack() as until_the_end:
        rig = write_set(folder)
        socket = folder / "control" / "control.sock"
        run = until_the_end.enter_context(running(rig, "--socket", str(socket), "--wait"))
        until(lambda: all(p in {x.name for x in ports("-i")} for p in ("Quay out1",)), "the ports")
        until_the_end.enter_context(listening())
        until(lambda: answers(socket), "an answer")
        found = Stage(rig)
        until_the_end.callback(found.close)
        yield found
        assert run.process.poll() is None


def test_planted_faults_are_named_first(stage: Stage) -> None:
    """At least 18 of the 20, and never a fault where all is well."""
    silent, clock_only = UNPLAYED
    healthy = f"out{SHARED.index(HEALTHY[0]) + 1}"
    stage.judge(silent, healthy)
    stage.play(clock_only)
    stage.judge(clock_only, healthy)

    stage.play(HEALTHY[0])
    for number, fault in enumerate(SHARED, 1):
        stage.judge(fault, f"out{number}")
    (pulled,) = PLUGGED
    assert stage.why("plugged").first.kind == "all_well"
    assert stage.why("lonely").first.kind == "no_listener"
    plug("unplug")
    until(lambda: _state(stage, "plugged") == "lost", "that the plug is missed")
    stage.play(pulled)
    stage.judge(pulled, "plugged")

    for number, fault in enumerate(ALONE, 1):
        until(partial(stage.changes_to, number), f"song {number}")
        stage.play(fault)
        stage.judge(fault, f"out{100 + number}")

    arguments = ("--why-silent", f"out{100 + number}", "--json", "--socket", str(stage.socket))
    done = pointsman("explain", *arguments)  # the whole of it, as a player would
    assert json.loads(done.stdout)["findings"][0]["kind"] == fault.verdict, done.stderr

    names = {fault.name for fault in FAULTS}
    assert len(names) == 20
    missed = names & set(stage.wrong)
    assert len(missed) <= 20 - AT_LEAST, stage.wrong
    assert not set(stage.wrong) - names, stage.wrong


def _state(stage: Stage, output: str) -> str:
    with suppress(PointsmanError):
        status = ask({"do": "status"}, stage.socket)
        return str(status["outputs"][output]["state"]) if status["ok"] else ""
    return ""
