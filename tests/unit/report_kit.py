"""Renders for the tests of reports: a rig and an event log in, the model of a report out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import dedent

from harness import events, rig_text
from pointsman.demo import INPUT_NAME, prepare
from pointsman.render import OutputRow, render, specs_of
from pointsman.reporting.collect import Collector
from pointsman.reporting.lanes import HOME
from pointsman.reporting.model import Model, Row, Track
from pointsman.reporting.tracing import trace_lines
from pointsman.rig_file import load_rig

DEVICE = """
device: Buoy
channel: 1
voices: 2
controls:
  cutoff: {cc: 74, home: 64}
  sway: {nrpn: [1, 8], home: 20}
  tilt: {cc: 16, fine: 48, home: 8192}
"""


def demo_report(place: Path) -> Model:
    """The model of the demo's report; the demo's files are in `place`."""
    rig = prepare(place)
    collector = Collector(rig, specs_of(rig).values(), INPUT_NAME)
    render(rig, place / INPUT_NAME, place, listener=collector)
    return collector.model


def report_of(
    place: Path, rig: str, log: str, *, on_exit: str = "none", device: str = DEVICE
) -> Model:
    """The model of a render of `log` through a rig, or through a chain on the output `tug`."""
    model, _ = report_and_rows(place, rig, log, on_exit=on_exit, device=device)
    return model


def report_and_rows(
    place: Path, rig: str, log: str, *, on_exit: str = "none", device: str = DEVICE
) -> tuple[Model, Sequence[OutputRow]]:
    """The same, with what `render` returns."""
    rig = dedent(rig)
    if "outputs:" not in rig:
        rig = rig_text(rig, device=True, on_exit=on_exit)
    place.mkdir(exist_ok=True)
    (place / "rig.yaml").write_text(rig, "utf-8")
    (place / "device.yaml").write_text(dedent(device), "utf-8")
    (place / "log.tsv").write_text("".join(f"{t}\t{data}\n" for t, data in events(log)), "utf-8")
    loaded = load_rig(place / "rig.yaml")
    collector = Collector(loaded, specs_of(loaded).values(), "log.tsv")
    rows = render(loaded, place / "log.tsv", place / "out", listener=collector)
    return collector.model, rows


def output(model: Model, name: str = "tug") -> Row:
    """One of its outputs."""
    return next(row for row in model.outputs if row.name == name)


def track(row: Row, title: str) -> Track:
    """The lane of a row that has this title."""
    return next(track for track in row.tracks if track.title == title)


def put_home(lane: Track) -> list[tuple[float, int]]:
    """When a control was put home (seconds), and to which value."""
    found = zip(lane.lane.times, lane.lane.values, lane.lane.flags, strict=True)
    return [(t_us / 1_000_000, value) for t_us, value, flags in found if flags & HOME]


def lines_of(model: Model, lane: Track) -> list[list[str]]:
    """What made each value of a lane, in words."""
    return [trace_lines(model.traces[trace]) for trace in lane.lane.traces]
