"""What was found in a chart: controls, facts about the synth, and the fate of every line."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from pointsman.charts.fitting import fit
from pointsman.charts.reach import Reach
from pointsman.charts.values import Span, has_letters, word
from pointsman.controls import LAST_CONTROL, NAME_BY_CONTROL

MOST_CONTROLS = 2000
MOST_ABOUT = 200
"""Longer remarks are cut, so that the device file stays one that is read."""

_CARRIERS = frozenset((6, 38, 96, 97, 98, 99, 100, 101))
"""Data entry and parameter numbers: they carry other controls (MIDI 1.0, 4.2.1, pp. 17, 18)."""


class Fate(StrEnum):
    """What became of a line."""

    CONTROL = "control"
    FACT = "fact"
    HEADING = "heading"
    LEFT_OUT = "left out"
    NOT_UNDERSTOOD = "not understood"


@dataclass
class Line:
    """One line of the chart and what became of it; `number` counts from 1."""

    number: int
    text: str
    fate: Fate = Fate.NOT_UNDERSTOOD
    what: list[str] = field(default_factory=list)

    def is_now(self, fate: Fate, *what: str) -> None:
        """Settle the fate; a line that gave a control keeps that, whatever else it gave."""
        if self.fate is not Fate.CONTROL:
            self.fate = fate
        self.what += what


@dataclass
class Control:
    """One control for the device file."""

    line: Line
    reach: Reach
    name: str
    range: tuple[int, int] | None = None
    home: int | None = None
    about: str = ""
    group: str = ""
    key: str = ""
    remarks: list[str] = field(default_factory=list)

    def describe(self) -> str:
        """The control in a few words, for the account of the line."""
        low_high = "" if self.range is None else f", {self.range[0]} to {self.range[1]}"
        home = "" if self.home is None else f", home {self.home}"
        remarks = "".join(f"; {remark}" for remark in self.remarks)
        return f"{self.key}: {self.reach}{low_high}{home}{remarks}"


@dataclass
class Offer:
    """What a reader found of one control; `Chart.control` decides what comes of it."""

    reach: Reach
    name: str = ""
    span: Span | None = None
    home: int | None = None
    recognized: bool | None = None
    about: Iterable[str] = ()
    group: str = ""
    remarks: Iterable[str] = ()


@dataclass
class Chart:
    """A chart that was read. `columns` say, table by table, which column was taken for what."""

    name: str = ""
    channel: int | None = None
    voices: int | None = None
    notes: tuple[str, str] | None = None
    hears: dict[str, bool] = field(default_factory=dict)
    controls: list[Control] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    columns: list[str] = field(default_factory=list)
    _by_reach: dict[Reach, Control] = field(default_factory=dict)

    def control(self, line: Line, offer: Offer) -> None:
        """Take up a control, or say why not."""
        reason = self._refused(offer)
        if reason:
            line.is_now(Fate.LEFT_OUT, reason)
            return
        fitted = fit(offer.reach, offer.span, offer.home)
        name, about, remarks = _named(offer)
        control = Control(
            line, offer.reach, name, fitted.range, fitted.home, about, offer.group,
            remarks=[*remarks, *offer.remarks, *fitted.remarks],
        )  # fmt: skip
        again = self._by_reach.get(control.reach)
        if again is not None and word(again.name) == word(control.name):
            self._again(line, again, control)
            return
        if again is not None:
            control.remarks.append(f"a second name for {again.reach}, see line {again.line.number}")
        line.fate = Fate.CONTROL
        self.controls.append(control)
        self._by_reach.setdefault(control.reach, control)

    def fact(self, line: Line, what: str) -> None:
        """Note what a row of the published chart gave."""
        line.is_now(Fate.FACT, what)

    def finish(self) -> None:
        """Give every control its own name, and say in each line what it gave."""
        taken: set[str] = set()
        double = _doubles(word(c.name) for c in self.controls)
        for control in self.controls:
            plain = word(control.name)
            key = word(f"{control.group} {control.name}") if plain in double else plain
            control.key = _unique(key, taken)
            if control.key != key:
                control.remarks.append(f"'{control.name}' stands there more than once")
        for control in reversed(self.controls):
            control.line.what.insert(0, control.describe())

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all was understood."""
        return not (self.controls or self.hears or self.notes or self.channel or self.voices)

    def _refused(self, offer: Offer) -> str:
        reach = offer.reach
        shown = f"{reach} ({offer.name})" if offer.name else str(reach)
        if reach.cc is not None and reach.cc > LAST_CONTROL:
            return f"{shown} is a channel mode message, and no control"
        if reach.cc in _CARRIERS:
            return f"{shown} carries NRPNs and RPNs, and is no control by itself"
        if offer.recognized is False:
            return f"{shown} is not recognized by the synth"
        if len(self.controls) >= MOST_CONTROLS:
            return f"{shown} is one more than {MOST_CONTROLS} controls; split the chart"
        return ""

    @staticmethod
    def _again(line: Line, first: Control, again: Control) -> None:
        """The same control under the same name: what it adds is taken, the rest stays."""
        added = []
        if first.range is None and again.range is not None:
            first.range, what = again.range, f"range {again.range[0]} to {again.range[1]}"
            added.append(what)
        if first.home is None and again.home is not None:
            first.home = again.home
            added.append(f"home {again.home}")
        more = f"; adds {' and '.join(added)}" if added else ""
        line.is_now(Fate.FACT, f"{again.reach} again, as in line {first.line.number}{more}")


_COARSE = re.compile(r"\s*[(\[]?\bMSB\b[)\]]?\s*$", re.IGNORECASE)
_BY_DEFAULT = re.compile(r".*\(default:\s*(.+)\)", re.IGNORECASE)
_NO_NAME = re.compile(r"undefined|unassigned|not assigned|general purpose", re.IGNORECASE)


def _named(offer: Offer) -> tuple[str, str, list[str]]:
    """The name, what to say about the control, and remarks for the account.

    Of `Sound Controller 5 (default: Brightness)`, as RP-028 prints it, the name is Brightness;
    an `undefined` control is named by its remarks.
    """
    about = [text for text in offer.about if text]
    name = _COARSE.sub("", offer.name)
    if _NO_NAME.fullmatch(name) and about and has_letters(word(about[0])):
        name = about.pop(0)
    by_default = _BY_DEFAULT.match(name)
    if by_default:
        about.insert(0, name)
        name = by_default[1]
    if has_letters(word(name)):
        if word(name).replace("_", "") != _letters(name):
            about.insert(0, name)
        return name, _cut("; ".join(about)), []
    if offer.name:
        about.insert(0, offer.name)
    number = offer.reach.cc
    known = "" if number is None else NAME_BY_CONTROL.get(number, "")
    name = known or f"{_kind(offer.reach)} {offer.name}".strip()
    return name, _cut("; ".join(about)), ["no name there" if not offer.name else "named otherwise"]


def _letters(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter.isalnum())


def _kind(reach: Reach) -> str:
    if reach.cc is not None:
        return f"control {reach.cc}"
    pair = reach.nrpn or reach.rpn
    if pair:
        return f"{'nrpn' if reach.nrpn else 'rpn'} {pair[0]} {pair[1]}"
    return "sysex"


def _cut(text: str) -> str:
    return text if len(text) <= MOST_ABOUT else text[: MOST_ABOUT - 1] + "…"


def _doubles(names: Iterable[str]) -> set[str]:
    seen: set[str] = set()
    double: set[str] = set()
    for name in names:
        (double if name in seen else seen).add(name)
    return double


def _unique(key: str, taken: set[str]) -> str:
    number, unique = 1, key
    while unique in taken:
        number += 1
        unique = f"{key}_{number}"
    taken.add(unique)
    return unique
