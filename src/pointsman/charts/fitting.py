"""From the ranges of charts to MIDI values: 0-127, or 0-16383 for a 14-bit pair.

Charts show values as the synth's display does: -64 to +63, or 1 to 128. Where it is plain which
MIDI values are meant, they are taken; where it is not (-50 to 50, 0 to 100 %), the range is left
whole, the value at rest is left out, and a sentence says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from pointsman.charts.reach import Reach
from pointsman.charts.values import CENTRE, CENTRE_14, TOP, TOP_14, Span

HALVES = ((CENTRE, TOP), (CENTRE_14, TOP_14))


@dataclass
class Fitted:
    """The range and the value at rest as MIDI values, with what had to be said of them."""

    range: tuple[int, int] | None = None
    home: int | None = None
    remarks: list[str] = field(default_factory=list)


def fit(reach: Reach, span: Span | None, home: int | None) -> Fitted:
    """Fit a range and a value at rest to what the control can be sent."""
    top = TOP if reach.fine is None else TOP_14
    fitted = Fitted(None, home)
    if span is not None:
        _fit_span(fitted, span, top)
    if fitted.home is not None and not 0 <= fitted.home <= top:
        fitted.remarks.append(f"the value at rest, {home}, is not from 0 to {top}; left out")
        fitted.home = None
    return fitted


def _fit_span(fitted: Fitted, span: Span, top: int) -> None:
    low, high = min(span.low, span.high), max(span.low, span.high)
    if span.low > span.high:
        fitted.remarks.append(f"the range {span} runs downwards; taken as {low} to {high}")
    if span.percent or low == high:
        _not_midi(fitted, span, top)
    elif low < 0:
        _signed(fitted, span, low, high, top)
    elif (low, high) in ((1, 128), (1, 16384)):
        fitted.remarks.append(f"shown as {span}, which is 0 to {high - 1}")
        if fitted.home:
            fitted.home -= 1
        _whole(fitted, 0, high - 1, top)
    else:
        _whole(fitted, low, high, top)


def _signed(fitted: Fitted, span: Span, low: int, high: int, top: int) -> None:
    """A range around 0: 64 (or 8192) stands for the 0 of the display."""
    for centre, last in HALVES:
        if low in (-centre, 1 - centre) and high in (centre, centre - 1):
            if fitted.home is not None and low <= fitted.home <= high:
                fitted.home = min(fitted.home + centre, last)
            fitted.remarks.append(f"shown as {span}; {centre} stands for 0")
            _whole(fitted, low + centre, min(high + centre, last), top)
            return
    _not_midi(fitted, span, top)


def _whole(fitted: Fitted, low: int, high: int, top: int) -> None:
    """MIDI values, brought from 7 to 14 bits or back where the control needs it."""
    if top == TOP_14 and high <= TOP:
        low, high = low << 7, high << 7 | TOP
        if fitted.home is not None:
            fitted.home <<= 7
    elif top == TOP and TOP < high <= TOP_14 and high & TOP == TOP:
        fitted.remarks.append(f"{high} is 14 bits; only the coarse half of them is sent")
        low, high = low >> 7, high >> 7
        if fitted.home is not None:
            fitted.home >>= 7
    if high > top:
        _not_midi(fitted, Span(low, high), top)
    else:
        fitted.range = (low, high)


def _not_midi(fitted: Fitted, span: Span, top: int) -> None:
    left = "" if fitted.home is None else f", and the value at rest, {fitted.home}, is left out"
    fitted.remarks.append(f"the range {span} is not in MIDI values; 0 to {top} is taken{left}")
    fitted.home = None
