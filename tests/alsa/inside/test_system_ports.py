"""Ports of the real sequencer: which are seen, offered, refused, and that they close."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from textwrap import dedent

import mido
from sequencer import (
    PATIENCE_S,
    card_ports,
    connect,
    on_alsa,
    play,
    pointsman,
    port,
    ports,
    running,
    until,
)

from pointsman.errors import PortError
from pointsman.io_alsa import AlsaInput, AlsaOutput
from pointsman.io_rtmidi import RtMidiInput
from pointsman.ports import alsa_clients

pytestmark = on_alsa

RIG = """\
input: {port: "virtual:Harbour Stage"}
outputs: {tug: {port: "virtual:Harbour Tug"}}
"""


def write_rig(folder: Path, text: str, name: str = "rig") -> Path:
    path = folder / f"{name}.yaml"
    path.write_text(dedent(text), "utf-8")
    return path


def test_the_listing_has_what_aconnect_has_and_never_our_own(tmp_path: Path) -> None:
    with running(write_rig(tmp_path, RIG)):
        done = pointsman("ports", "--json")
        readable, writable = ports("-i"), ports("-o")
    assert done.returncode == 0, done.stderr
    listing = json.loads(done.stdout)
    assert any(port.client_name == "Pointsman" for port in readable)
    for key, there in (("inputs", readable), ("outputs", writable)):
        # The sequencer's own System client (0) is no port that a player can use.
        others = [p for p in there if p.client_name != "Pointsman" and p.client != 0]
        assert listing[key] == [port.full_name for port in others]
    assert listing["missing"] is None


def test_virtual_ports_show_under_our_name_and_others_can_connect_to_them(tmp_path: Path) -> None:
    with running(write_rig(tmp_path, RIG)):
        stage, tug = port("Harbour Stage"), port("Harbour Tug")
        assert (stage.client_name, tug.client_name) == ("Pointsman", "Pointsman")
        assert stage.address in [p.address for p in ports("-o")]
        assert tug.address in [p.address for p in ports("-i")]
        connect(tug.address, stage.address)
        assert port("Harbour Tug").connections == [stage.address]
    assert not [p for p in ports() if p.client_name == "Pointsman"]


def test_what_is_written_for_a_port_in_a_rig_finds_it(tmp_path: Path) -> None:
    first, second = card_ports()
    rig = write_rig(
        tmp_path,
        f"""\
        input: {{port: "{first.client_name.lower()}"}}
        outputs: {{tug: {{port: "{second.client_name}:{second.name} 99:0"}}}}
        """,
    )
    with running(rig):
        assert len(port(first.name).connections) == 1
        assert len(port(second.name).connections) == 1


def test_an_ambiguous_port_ends_with_3_and_lists_what_matches(tmp_path: Path) -> None:
    first, second = card_ports()
    rig = write_rig(
        tmp_path,
        """\
        input: {port: "virtual:Harbour Stage"}
        outputs: {tug: {port: virmidi}}
        """,
    )
    done = pointsman("run", str(rig))
    assert done.returncode == 3
    assert done.stderr == (
        "output tug: 2 output ports match 'virmidi'; write more of the name: "
        f"{first.full_name}, {second.full_name}\n"
    )


def test_a_port_of_another_pointsman_is_not_offered(tmp_path: Path) -> None:
    with running(write_rig(tmp_path, RIG)):
        rig = write_rig(
            tmp_path,
            """\
            input: {port: "Harbour Tug"}
            outputs: {gull: {port: "null:"}}
            """,
            "second",
        )
        done = pointsman("run", str(rig))
    assert done.returncode == 3
    there = ", ".join(p.full_name for p in ports("-i") if p.client != 0)
    text = f"input: no input port matches 'Harbour Tug'; there is: {there}\n"
    assert done.stderr == text


def test_the_librarys_thread_keeps_its_python_state_between_messages(tmp_path: Path) -> None:
    """A thread's own variables live as long as its state: a new one would count from 0."""
    own = threading.local()
    counts: list[int] = []

    def deliver(data: bytes) -> None:
        own.count = getattr(own, "count", 0) + 1
        counts.append(own.count)

    song = mido.MidiFile(type=0)
    song.add_track().extend(mido.Message("control_change", time=10) for _ in range(5))
    song.save(tmp_path / "song.mid")
    midi = RtMidiInput("Harbour Stage", virtual=True)
    midi.start(deliver, lambda fault: None)
    play(tmp_path / "song.mid", port("Harbour Stage").address)
    until(lambda: len(counts) == 5, "five messages")
    midi.close()
    assert counts == [1, 2, 3, 4, 5]


ROOM = 1999
"""How many events wait in a pool of 2000 on Linux 6.1."""


def numbered(count: int) -> list[bytes]:
    """Bends that can be told apart."""
    return [bytes((0xE0, number & 0x7F, number >> 7)) for number in range(count)]


@contextmanager
def joined(name: str) -> Iterator[tuple[AlsaOutput, AlsaInput]]:
    """An output of ours that an input of ours listens to."""
    tug, gull = AlsaOutput(f"{name} Tug", virtual=True), AlsaInput(f"{name} Gull", virtual=True)
    connect(port(f"{name} Tug").address, port(f"{name} Gull").address)
    try:
        yield tug, gull
    finally:
        gull.close()
        tug.close()


def test_what_a_program_did_not_take_it_gets_when_it_does() -> None:
    """What has waited in its own pool until then the kernel throws away, and tells it so."""
    sent, heard = numbered(3000), list[bytes]()
    with joined("Still") as (tug, gull):
        assert alsa_clients.CLIENTS.read_text().count("Pool size          : 2000") == 1
        for data in sent:
            tug.send(data, 0)  # what has no room in the other's pool waits with us
        gull.start(heard.append, lambda fault: None)

        def caught_up() -> bool:
            assert tug.alive()  # as a service asks
            return len(heard) >= len(sent) - ROOM

        until(caught_up, "all of it")
        assert heard == sent[ROOM:]
        assert gull.gaps == 1


def test_what_finds_no_room_at_all_is_refused_and_what_got_lost_is_noticed() -> None:
    """With a second listener nobody waits for the one that stands still; its loss it is told of."""
    heard: list[bytes] = []
    other: list[bytes] = []
    with joined("Full") as (tug, gull), joined("Other") as (_, second):
        connect(port("Full Tug").address, port("Other Gull").address)
        second.start(other.append, lambda fault: None)
        refused = 0
        for data in numbered(2100):
            try:
                tug.send(data, 0)
            except PortError:
                refused += 1
        until(lambda: len(other) == 2100, "the other one")
        assert other == numbered(2100)
        assert refused == 2100 - ROOM
        gull.start(heard.append, lambda fault: None)
        until(lambda: gull.gaps == 1, "the gap")
        tug.send(b"\xf8", 0)
        until(lambda: heard == [b"\xf8"], "what comes after it")


CYCLES = 30
CLOSE_UNDER_LOAD = f"""\
import threading
from pathlib import Path
from pointsman.live.run import Run, Wishes
from pointsman.log import set_up_log
from pointsman.registry import load_plugins
from pointsman.rig_file import load_rig

rig, registry, log = load_rig(Path("rig.yaml")), load_plugins(), set_up_log()
for cycle in range({CYCLES}):
    run = Run(rig, registry, log, Wishes())
    run.open()
    service = run.service
    runner = threading.Thread(target=run.run)
    runner.start()
    while service.engine.received < 50:
        runner.join(0.005)
    service.stop()
    runner.join()
    output = service.engine.outputs["tug"]
    print(cycle, service.engine.received == output.sent, service.engine.malformed, flush=True)
"""


def test_ports_close_under_load_without_a_hang(tmp_path: Path) -> None:
    """1,000 messages a second from aplaymidi, while the rig's ports open and close 30 times."""
    (through,) = [p for p in ports() if p.client_name == "Midi Through" and p.number == 0]
    song = mido.MidiFile(type=0, ticks_per_beat=500)  # at 120 a minute: 1 ms a tick
    song.add_track().extend(
        mido.Message("control_change", control=1, value=n % 128, time=1) for n in range(90_000)
    )
    song.save(tmp_path / "load.mid")
    write_rig(
        tmp_path,
        """\
        input: {port: "Midi Through"}
        outputs: {tug: {port: "virtual:Harbour Tug"}}
        """,
    )
    load = ["aplaymidi", "-p", through.address, str(tmp_path / "load.mid")]
    player = subprocess.Popen(load, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        done = subprocess.run(
            [sys.executable, "-c", CLOSE_UNDER_LOAD],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=4 * PATIENCE_S,
            check=False,
        )
    finally:
        player.kill()
        player.wait()
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [f"{cycle} True 0" for cycle in range(CYCLES)]
