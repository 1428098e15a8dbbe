"""Colours and shapes, the same on the page and in the picture.

What came in is an outline and a dashed line, what was sent is solid; so they differ without any
colour. The colours stay apart for people who see few of them (dark blue, ochre, black, magenta),
and each has a contrast of 4.5:1 or more on white (WCAG 2.2, success criteria 1.4.3 and 1.4.11).
"""

from __future__ import annotations

PAPER = "#ffffff"
BAND = "#f4f6f8"
INK = "#1c2430"
GRID = "#c9d1da"
SENT = "#1d4f91"
CAME_IN = "#a85400"
HOME = "#000000"
STOLEN = "#b0125a"
ENDED = "#4a5563"

LEGEND = (
    ("came-in", "came in"),
    ("sent", "sent to the synth"),
    ("home-line", "home"),
    ("home", "put home"),
    ("stolen", "stolen by a newer note (hatched: still held)"),
    ("ended", "ended early, or by Stop"),
    ("start", "Start"),
    ("stop", "Stop"),
)
"""The marks, in the order of the legend: a name for the drawing, and what it means."""
