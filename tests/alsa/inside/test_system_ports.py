"""Ports of the real sequencer: which are seen, offered, refused, and that they close."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
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

from pointsman.io_rtmidi import RtMidiInput

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
