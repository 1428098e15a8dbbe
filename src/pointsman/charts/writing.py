"""The device file that a chart makes: YAML with comments, for a player to go over."""

from __future__ import annotations

from collections.abc import Iterator

from pointsman.charts.chart import Chart, Control, Fate
from pointsman.charts.functions import HEARD
from pointsman.yaml_text import comment, quoted, scalar

MOST_LINES_KEPT = 200


def device_yaml(chart: Chart, shown: str) -> str:
    """The text of the device file; `shown` is the chart's path."""
    return "\n".join(
        [*_head(chart, shown), *_facts(chart), *_controls(chart), *_remains(chart), ""]
    )


def _head(chart: Chart, shown: str) -> Iterator[str]:
    yield f"# Made from {comment(shown)} by pointsman device import."
    yield "# Go over it: names are yours to change, and a control without home cannot be put back."
    for said in chart.columns:
        yield f"# {comment(said)}"
    yield f"device: {scalar(chart.name)}"


def _facts(chart: Chart) -> Iterator[str]:
    if chart.channel is None:
        yield "# channel: 1              # the chart does not say; write the one it is set to"
    else:
        yield f"channel: {chart.channel}"
    if chart.voices is None:
        yield "# voices: 1               # the chart does not say"
    else:
        yield f"voices: {chart.voices}"
    if chart.hears:
        hears = dict(chart.hears)
        if chart.controls:
            hears["control"] = True
        heard = [kind for kind in HEARD if hears.get(kind, True)]
        silent = [kind for kind in HEARD if kind not in hears]
        if silent:
            yield f"# Not in the chart, and taken as heard: {', '.join(silent)}"
        yield f"receives: [{', '.join(heard)}]"
    if chart.notes is not None:
        named = not chart.notes[0].isdecimal()
        more = "  # note 60 is C4, or what the rig's middle_c says" if named else ""
        yield f"notes: [{', '.join(chart.notes)}]{more}"


def _controls(chart: Chart) -> Iterator[str]:
    if not chart.controls:
        return
    yield "controls:"
    group = ""
    for control in chart.controls:
        if control.group != group:
            group = control.group
            if group:
                yield f"  # {comment(group)}"
        yield f"  {scalar(control.key)}: {{{', '.join(_parts(control))}}}{_why(control)}"


def _parts(control: Control) -> Iterator[str]:
    reach = control.reach
    if reach.cc is not None:
        yield f"cc: {reach.cc}"
        if reach.fine is not None:
            yield f"fine: {reach.fine}"
    for kind, pair in (("nrpn", reach.nrpn), ("rpn", reach.rpn)):
        if pair is not None:
            yield f"{kind}: [{pair[0]}, {pair[1]}]"
    if reach.sysex is not None:
        yield f'sysex: "{reach.sysex}"'
    if control.home is not None:
        yield f"home: {control.home}"
    if control.range is not None:
        yield f"range: [{control.range[0]}, {control.range[1]}]"
    if control.about:
        yield f"about: {quoted(control.about)}"


def _why(control: Control) -> str:
    remarks = "".join(f"; {each}" for each in control.remarks if each not in control.about)
    return f"  # line {control.line.number}{comment(remarks)}"


def _remains(chart: Chart) -> Iterator[str]:
    """What gave nothing, so that it stays with the file."""
    for fate, title in (
        (Fate.LEFT_OUT, "Left out:"),
        (Fate.NOT_UNDERSTOOD, "Not understood; write by hand what is wanted of it:"),
    ):
        lines = [line for line in chart.lines if line.fate is fate]
        if not lines:
            continue
        yield ""
        yield f"# {title}"
        for line in lines[:MOST_LINES_KEPT]:
            why = f"  ({'; '.join(line.what)})" if line.what else ""
            yield f"#   line {line.number}: {comment(line.text)}{comment(why)}"
        if len(lines) > MOST_LINES_KEPT:
            yield f"#   and {len(lines) - MOST_LINES_KEPT} lines more; see what import printed"
