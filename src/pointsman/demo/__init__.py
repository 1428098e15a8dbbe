"""demo: a harbour with three synths, before and after.

`song.py` makes the input, `rig.yaml` is the rig, `heard.py` listens as a synth would, `show.py`
lays before and after side by side.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path

from pointsman import io_rtmidi
from pointsman.demo import show, song
from pointsman.errors import UsageError
from pointsman.io_tsv import TsvWriter
from pointsman.log import set_up_log
from pointsman.registry import load_plugins
from pointsman.render import render
from pointsman.reporting.commands import Drawings
from pointsman.rig import Rig
from pointsman.rig_file import load_rig

INPUT_NAME = "harbour.tsv"
LIVE_FOLDER = "harbour-live"
"""Where a live demo without MIDI records, unless it is told: it would be gone otherwise."""

READY_S = 5
"""How long a player has to turn the volume down and to connect the ports."""

CAUTION = (
    "Before you connect synths: turn speakers and headphones down, and bring the volume up\n"
    "slowly. A wrong patch or a filter that opens all at once can be far louder than expected."
)


def run_demo(
    folder: Path | None,
    *,
    live: bool,
    to: Mapping[str, str] | None = None,
    drawings: Drawings | None = None,
) -> None:
    """Show the demo, offline or live; `folder` keeps its files. `to`: ports by output name.

    `drawings`: what else is to be drawn of it, offline.
    """
    if live and folder is None and io_rtmidi.missing():
        folder = Path(LIVE_FOLDER)
    with _workplace(folder) as place:
        rig = prepare(place)
        if live:
            _live(rig, to or {}, place)
        else:
            listener = drawings.listen(rig, INPUT_NAME) if drawings else None
            rows = render(rig, place / INPUT_NAME, place, listener=listener)
            drawn = drawings.write() if drawings else []
            print("\n\n".join([show.page(rig, place, rows), *drawn]))
        if folder is None and not live:
            print("\nKeep the rig, the devices, the input and what came out: demo --out DIR")
        elif folder is not None:
            print(f"\nThe rig, the devices, the input and what came out are in {place}.")


@contextmanager
def _workplace(folder: Path | None) -> Iterator[Path]:
    if folder is None:
        with tempfile.TemporaryDirectory(prefix="pointsman-demo-") as name:
            yield Path(name)
    else:
        folder.mkdir(parents=True, exist_ok=True)
        yield folder


def prepare(place: Path) -> Rig:
    """Put the rig, its devices and the tune into a folder, and load the rig from there."""
    with as_file(files("pointsman.demo")) as source:
        shutil.copyfile(source / "rig.yaml", place / "rig.yaml")
        (place / "devices").mkdir(exist_ok=True)
        for device in (source / "devices").glob("*.yaml"):
            shutil.copyfile(device, place / "devices" / device.name)
    with TsvWriter(place / INPUT_NAME) as writer:
        for t_ns, data in song.messages():
            writer.write(t_ns, data)
    return load_rig(place / "rig.yaml")


def _live(rig: Rig, to: Mapping[str, str], place: Path) -> None:
    """Play in real time: to ports where there is MIDI, else to files."""
    from pointsman.live.run import run

    unknown = sorted(set(to) - {output.name for output in rig.outputs})
    if unknown:
        names = ", ".join(output.name for output in rig.outputs)
        raise UsageError(f"the demo has no output '{unknown[0]}'; there is {names}")
    lacking = io_rtmidi.missing()
    if lacking is None:
        print(CAUTION)
        ports = {output.name: f"virtual:Harbour {output.name}" for output in rig.outputs}
    else:
        print(f"No system MIDI here ({lacking}).\nPlaying to files instead, in real time.")
        ports = {output.name: output.port for output in rig.outputs}
    ports.update(to)
    rig = replace(rig, outputs=tuple(replace(o, port=ports[o.name]) for o in rig.outputs))
    for output in rig.outputs:
        print(f"  {output.name}: {output.port}")
    print(f"{song.END_NS / 1e9:.0f} seconds; Ctrl-C ends it, and lets every note go.", flush=True)
    run(
        rig,
        load_plugins(),
        set_up_log(),
        before_start=_wait_for_player if lacking is None else None,
    )


def _wait_for_player() -> None:
    print(f"The ports are open. Playing in {READY_S} seconds …", flush=True)
    time.sleep(READY_S)
