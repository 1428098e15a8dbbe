"""A report as one page: bokeh draws it, and nothing is asked of any other machine.

All that the page needs stands in it: bokeh's own script, ours, and the columns. A
Content-Security-Policy lets these two scripts run, by their hashes, and no request leave. What
comes from a rig is text in JSON, or escaped.
"""

from __future__ import annotations

import base64
import hashlib
import json
from array import array
from collections.abc import Iterator
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any

import bokeh
from bokeh.embed.util import OutputDocumentFor, standalone_docs_json_and_render_items
from bokeh.models import Range1d

from pointsman.reporting import style
from pointsman.reporting.figures import AXIS, LEFT, RIGHT, make_figure
from pointsman.reporting.layout import TITLE, Band, RowLayout, lay_out
from pointsman.reporting.marks import Mark, list_marks
from pointsman.reporting.model import Model, Row, Track
from pointsman.reporting.notes import End
from pointsman.reporting.packing import Packer
from pointsman.reporting.svg_marks import svg_mark
from pointsman.reporting.tracing import ENGINE, trace_lines
from pointsman.units import note_name

MOST_LISTED = 300

_BUTTONS = (
    ("left", "◀", "Earlier"), ("right", "▶", "Later"), ("in", "+", "Closer"),
    ("out", "−", "Wider"), ("all", "all", "Everything"),
)  # fmt: skip


def write_page(model: Model, path: Path) -> None:
    """Write the page to a file."""
    with path.open("w", encoding="utf-8") as file:
        file.writelines(page_parts(model))


def page_parts(model: Model) -> Iterator[str]:
    """The page, as HTML, piece by piece."""
    layouts = lay_out(model)
    packer = Packer()
    rows = [_row_data(layout, model, packer) for layout in layouts]
    docs, items = _documents(layouts, model)
    data = {
        "rows": rows,
        "docs": docs,
        "items": items,
        "bars": model.bars,
        "changes": [(t_us, change.value) for t_us, change in model.changes],
        "end": max(1000, model.end_us),
        "left": LEFT,
        "right": RIGHT,
        "traces": [_trace_words(model, number) for number in range(len(model.traces))],
        "notes": [note_name(note, model.middle_c_octave) for note in range(128)],
    }
    library = Path(bokeh.__file__).parent / "server" / "static" / "js" / "bokeh.min.js"
    scripts = [library.read_text("utf-8"), _own("page.js")]
    scripts = [text.replace("</script", "<\\/script") for text in scripts]
    yield from _parts(model, layouts, data, packer.text(), scripts)


def _parts(
    model: Model, layouts: list[RowLayout], data: Any, columns: str, scripts: list[str]
) -> Iterator[str]:
    title = f"{model.rig}: {model.source}"
    colours = {"paper": style.PAPER, "ink": style.INK, "band": style.BAND, "grid": style.GRID,
               "sent": style.SENT, "ended": style.ENDED}  # fmt: skip
    root = ";".join(f"--{name}:{colour}" for name, colour in colours.items())
    yield (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_policy(scripts)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n<link rel="icon" href="data:,">\n'
        f"<title>{escape(title)}</title>\n<style>:root{{{root}}}\n{_own('page.css')}</style>\n"
        "</head>\n<body>\n"
    )
    yield f"<header><h1>{escape(model.rig)}</h1><p>{escape(_summary(model))}</p></header>\n"
    yield (
        '<div class="bar" role="group" aria-label="View and legend">'
        f"{_buttons()}{_legend()}</div>\n<main>\n"
    )
    for number, layout in enumerate(layouts):
        yield _row_html(layout, number)
    yield f"{_list(model)}</main>\n<footer>{_notes(layouts)}</footer>\n"
    yield '<div id="told" role="status" hidden></div>\n'
    yield f'<script type="application/json" id="model">{_json(data)}</script>\n'
    yield f'<script type="text/plain" id="columns">{columns}</script>\n'
    for script in scripts:
        yield f"<script>{script}</script>\n"
    yield "</body>\n</html>\n"


def _policy(scripts: list[str]) -> str:
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
        for text in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _own(name: str) -> str:
    return (files("pointsman.reporting") / name).read_text("utf-8")


def _json(data: Any) -> str:
    """JSON that cannot end the element in which it stands."""
    text = json.dumps(data, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _documents(layouts: list[RowLayout], model: Model) -> tuple[Any, Any]:
    end_ms = max(1.0, model.end_us / 1000)
    times = Range1d(start=-0.01 * end_ms, end=1.01 * end_ms, name="times")
    plots = [make_figure(layout, number, times) for number, layout in enumerate(layouts)]
    with OutputDocumentFor(plots):
        docs, [item] = standalone_docs_json_and_render_items(plots)
    item.elementid = None
    places = {plot.id: f"plot{number}" for number, plot in enumerate(plots)}
    known = item.to_json()
    known["roots"] = places
    return docs, [known]


# ---- what the script needs -----------------------------------------------------------------------


def _row_data(layout: RowLayout, model: Model, packer: Packer) -> dict[str, Any]:
    row = layout.row
    roll = next((band for band in layout.bands if band.number is None), None)
    return {
        "notes": _notes_data(row, model, packer),
        "tracks": [_track_data(row, track, packer) for track in row.tracks],
        "bands": [{"top": b.top, "bottom": b.bottom, "track": b.number} for b in layout.bands],
        "sources": sorted(row.sources),
        "height": layout.height,
        "top": roll.top if roll else 0,
        "step": roll.height / (layout.high - layout.low + 1) if roll else 1,
        "high": layout.high,
    }


def _notes_data(row: Row, model: Model, packer: Packer) -> dict[str, dict[str, int]]:
    notes = row.notes
    ends = array("q", (model.end_us if end < 0 else end for end in notes.ends))
    return {
        "begins": packer.add(notes.begins, steps=True),
        "lengths": packer.add([max(0, e - b) for b, e in zip(notes.begins, ends, strict=True)]),
        "keys": packer.add(notes.keys),
        "velocities": packer.add(notes.velocities),
        "kinds": packer.add(notes.kinds),
        "ons": packer.add(notes.on_traces),
        "offs": packer.add(notes.off_traces),
        "rests": packer.add(model.rests(row)),
    }


def _track_data(row: Row, track: Track, packer: Packer) -> dict[str, Any]:
    lane = track.lane
    found: dict[str, Any] = {
        "kind": track.kind, "words": track.words, "offset": track.offset, "low": track.low,
        "high": track.high, "home": track.home, "before": sorted(track.before),
        "times": packer.add(lane.times, steps=True), "values": packer.add(lane.values),
        "traces": packer.add(lane.traces), "flags": packer.add(lane.flags),
    }  # fmt: skip
    if track.kind == "other":
        found["texts"] = row.texts
    return found


def _trace_words(model: Model, number: int) -> list[str]:
    if number == ENGINE:
        return ["made by no line: the opening, or the release"]
    return trace_lines(model.traces[number]) or ["as it came in: no line of the rig has changed it"]


# ---- what stands on the page ---------------------------------------------------------------------


def _summary(model: Model) -> str:
    homes = sum(row.homes for row in model.outputs)
    stolen = sum(row.count(End.STOLEN) for row in model.outputs)
    seconds = model.end_us / 1_000_000
    return (
        f"{model.source}, {seconds:.1f} seconds, to {len(model.outputs)} outputs: "
        f"controls put home {homes} times, {stolen} notes stolen"
    )


def _buttons() -> str:
    return "".join(
        f'<button type="button" data-do="{what}" title="{name}" aria-label="{name}">{sign}</button>'
        for what, sign, name in _BUTTONS
    )


def _legend() -> str:
    return "".join(f"<span>{svg_mark(name)} {escape(text)}</span>" for name, text in style.LEGEND)


def _row_html(layout: RowLayout, number: int) -> str:
    row = layout.row
    about = f" <small>{escape(layout.about)}</small>" if layout.about else ""
    named = escape(f"{row.name}: {_in_words(row, layout)}", quote=True)
    inner = "".join(_band_html(row, band, layout) for band in layout.bands)
    return (
        f"<section><h2>{escape(row.name)}{about}</h2>"
        f'<div class="row" id="row{number}" role="img" aria-label="{named}" '
        f'style="height:{layout.height + AXIS}px">'
        f'<div id="plot{number}"></div>{inner}</div></section>\n'
    )


def _in_words(row: Row, layout: RowLayout) -> str:
    parts = [f"{len(row.notes)} notes"]
    if stolen := row.count(End.STOLEN):
        parts.append(f"{stolen} of them stolen")
    parts += [f"{track.title} put home {track.homes} times" for track in row.tracks if track.homes]
    return ", ".join(parts)


def _band_html(row: Row, band: Band, layout: RowLayout) -> str:
    counts = ""
    if band.stolen:
        counts += f'<span class="count">{svg_mark("stolen")} {band.stolen} stolen</span>'
    if band.homes:
        counts += f'<span class="count">{svg_mark("home")} put home {band.homes}×</span>'
    name = f"<b>{escape(band.title)}</b>"
    title = f'<div class="title" style="top:{band.top - TITLE}px">{name}{counts}</div>'
    if band.number is None:
        return title
    track = row.tracks[band.number]
    if track.kind in ("other", "load", "clock", "voices"):
        return title
    return title + _scale(track, band)


def _scale(track: Track, band: Band) -> str:
    """The ends of a lane, and its home where there is room for it between them."""
    inner = band.height - 4
    found = [(band.top, track.high, ""), (band.bottom - 12, track.low, "")]
    if track.home is not None:
        part = (track.home - track.low) / max(1, track.high - track.low)
        top = round(band.bottom - 2 - part * inner) - 6
        found = [item for item in found if abs(item[0] - top) > 11]
        found.append((top, track.home, " home"))
    return "".join(
        f'<div class="scale{kind}" style="top:{top}px">{value + track.offset}</div>'
        for top, value, kind in found
    )


def _list(model: Model) -> str:
    """What the rig did by itself, as a table: exact, and for those who cannot see the drawing."""
    marks, count = list_marks(model, MOST_LISTED)
    if not marks:
        return ""
    heads = "".join(f"<th>{head}</th>" for head in ("time", "output", "what", "by"))
    rows = "".join(_mark_html(mark_) for mark_ in marks)
    more = f"<p>The first {len(marks)} of {count}.</p>" if count > len(marks) else ""
    return (
        f"<details><summary>What was put home, and what was stolen, as a list ({count})</summary>"
        f'<div class="scroll"><table><tr>{heads}</tr>{rows}</table></div>{more}</details>'
    )


def _mark_html(mark_: Mark) -> str:
    cells = (f"{mark_.t_us / 1_000_000:.3f} s", mark_.output, mark_.what, mark_.by)
    return f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>"


def _notes(layouts: list[RowLayout]) -> str:
    """What is not drawn, or not whole."""
    said = ["Drag with the mouse, or use the buttons; Ctrl and the wheel zoom. Keys: ← → + − 0."]
    for layout in layouts:
        row = layout.row
        if layout.left_out:
            names = ", ".join(layout.left_out)
            said.append(f"{row.name}: not drawn, since there are so many: {names}.")
        if row.missed_notes:
            said.append(f"{row.name}: {row.missed_notes} later notes are not drawn.")
        said += [
            f"{row.name}, {track.title}: {len(track.lane)} of {track.lane.count} values are kept, "
            f"the first, lowest, highest and last of each {track.lane.span_us / 1000:g} ms."
            for track in row.tracks
            if track.lane.span_us
        ]
    return "".join(f"<p>{escape(text)}</p>" for text in said)
