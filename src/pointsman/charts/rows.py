"""One row of a table whose columns have roles: the control that it describes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from pointsman.charts import reach as reaches
from pointsman.charts.chart import Chart, Fate, Line, Offer
from pointsman.charts.fields import read as read_fields
from pointsman.charts.reach import Found, Reach
from pointsman.charts.values import (
    Span,
    has_letters,
    is_blank,
    mark,
    number,
    rest_value,
    signed,
    span,
)

_COUNTED = re.compile(r"(\d+)\s*(?:-|–|to|\.\.)\s*(\d+)")
_HEX = re.compile(r"[0-9A-Fa-f]{1,2}")


class Roles:
    """The roles of the columns of one table; a role that several columns have joins their text."""

    def __init__(self, roles: Mapping[int, str]) -> None:
        self.by_column = dict(roles)
        self._columns: dict[str, list[int]] = {}
        for column, role in sorted(roles.items()):
            self._columns.setdefault(role, []).append(column)

    def __contains__(self, role: str) -> bool:
        return role in self._columns

    def texts(self, cells: Sequence[str], role: str) -> list[str]:
        """What the cells of this role say, blanks left out."""
        found = [cells[column] for column in self._columns.get(role, ()) if column < len(cells)]
        return [text for text in (" ".join(each.split()) for each in found) if not is_blank(text)]

    def text(self, cells: Sequence[str], role: str) -> str:
        """The first of them, or nothing."""
        return next(iter(self.texts(cells, role)), "")


def read_row(chart: Chart, line: Line, cells: Sequence[str], roles: Roles, group: str) -> bool:
    """Take up the control of a row; False when the row has no number of one."""
    found, others = _address(cells, roles)
    if found is None:
        return False
    if not found.reaches:
        line.is_now(Fate.NOT_UNDERSTOOD, found.why_not)
        return True
    remarks: list[str] = []
    low_high, home, about = _values(cells, roles, found.reaches[0], remarks)
    about = [*roles.texts(cells, "about"), *about]
    names = roles.texts(cells, "name") or about[:1]
    about = [*names[1:], *(text for text in about if text not in names)]
    name = names[0] if names else ""
    if low_high is None and not remarks:  # `Load (0-3)`
        inside = read_fields("", name)
        name, low_high = inside.name, inside.span
        home = inside.home if home is None else home
        about += inside.about
    heard = mark(roles.text(cells, "recognized"))
    offer = Offer(
        found.reaches[0], name, low_high, home, heard,
        [*about, *(f"also {other}" for other in others)],
        roles.text(cells, "group") or group, [*(f"also {other}" for other in others), *remarks],
    )  # fmt: skip
    offer_all(chart, line, found.reaches, offer)
    return True


def offer_all(chart: Chart, line: Line, found: Sequence[Reach], offer: Offer) -> None:
    """Offer a control, or several that share a line: 20-23 `Macro 1-4` are four."""
    for each, name in zip(found, _names(offer.name, len(found)), strict=True):
        chart.control(
            line,
            Offer(
                each, name, offer.span, offer.home, offer.recognized, offer.about, offer.group,
                offer.remarks,
            ),
        )  # fmt: skip


def keep_count(text: str, count: int) -> str:
    """The text with `1-4` marked as a count, not a range, where so many controls share a line."""
    counted = _COUNTED.search(text) if count > 1 else None
    if counted is None or int(counted[2]) - int(counted[1]) != count - 1:
        return text
    return f"{text[: counted.start()]}{counted[1]}–{counted[2]}{text[counted.end() :]}"


def _names(name: str, count: int) -> list[str]:
    """One name for each of several controls."""
    if count == 1:
        return [name]
    counted = _COUNTED.search(name)
    if counted and int(counted[2]) - int(counted[1]) == count - 1:
        first = int(counted[1])
        return [
            f"{name[: counted.start()]}{first + n}{name[counted.end() :]}" for n in range(count)
        ]
    parts = [part for part in (p.strip() for p in re.split(r"[,/;&]|\band\b", name)) if part]
    if len(parts) == count:
        return parts
    return [f"{name} {n + 1}" if name else "" for n in range(count)]


def _address(cells: Sequence[str], roles: Roles) -> tuple[Found | None, list[Reach]]:
    """How the control is reached, and in which other ways beside."""
    kind = roles.text(cells, "kind").upper()
    if kind in ("NRPN", "RPN"):
        halves = number(roles.text(cells, "cc")), number(roles.text(cells, "fine"))
        named = reaches.parameter(kind, *halves)
        return (Found(0, 0, (named,)) if named else None), []
    found: list[Found] = []
    for text in (*roles.texts(cells, "cc"), *map(_from_hex, roles.texts(cells, "hex"))):
        each = reaches.numbers(text) or next(iter(reaches.find(text)), None)
        if each is not None and not (found and each.reaches == found[0].reaches):
            found.append(each)
    if found and len(found[0].reaches) == 1 and found[0].reaches[0].cc is not None:
        fine = number(roles.text(cells, "fine"))
        paired = reaches.pair(found[0].reaches[0].cc, fine)
        if fine is not None and paired is not None:
            found[0] = Found(0, 0, (paired,))
    for kind in ("nrpn", "rpn"):
        coarse = number(roles.text(cells, f"{kind}_msb"))
        fine = number(roles.text(cells, f"{kind}_lsb"))
        each_parameter = reaches.parameter(kind, coarse, fine)
        text = roles.text(cells, kind)
        if each_parameter is None and text:
            each_parameter = _parameter(kind, text)
        if each_parameter is not None:
            found.append(Found(0, 0, (each_parameter,)))
    message = reaches.sysex(roles.text(cells, "sysex"))
    if message is not None:
        found.append(Found(0, 0, (message,)))
    return (found[0] if found else None), [r for each in found[1:] for r in each.reaches]


def _from_hex(text: str) -> str:
    return f"{text}H" if _HEX.fullmatch(text) else text


def _parameter(kind: str, text: str) -> Reach | None:
    """An NRPN or RPN in one cell: `1:8`, `MSB 1 LSB 8`, `NRPN 136`."""
    named = re.search(r"rpn", text, re.IGNORECASE)
    found = reaches.find(text if named else f"{kind} {text}")
    return found[0].reaches[0] if found and found[0].reaches else None


def _values(
    cells: Sequence[str], roles: Roles, reach: Reach, remarks: list[str]
) -> tuple[Span | None, int | None, list[str]]:
    """The range and the value at rest; what cannot be read becomes a remark, and is kept."""
    prefix = "nrpn_" if reach.nrpn and "nrpn_low" in roles else ""
    low, high = roles.text(cells, f"{prefix}low"), roles.text(cells, f"{prefix}high")
    home_text = roles.text(cells, f"{prefix}home")
    about: list[str] = []
    found: Span | None = None
    if low or high:
        ends = (signed(low) if low else 0, signed(high) if high else 127)
        if ends[0] is None or ends[1] is None:
            remarks.append(f"'{low}' and '{high}' are no range")
        else:
            found = Span(ends[0], ends[1])
    text = roles.text(cells, "range")
    if text and found is None:
        found = span(text)
        if found is None:
            remarks.append(f"'{text}' is no range")
        if found is None or has_letters(re.sub(r"\b(?:to|through|thru)\b", "", text)):
            about.append(text)
    home = rest_value(home_text) if home_text else None
    if home_text and home is None:
        remarks.append(f"'{home_text}' is no value to rest at")
        about.append(f"default {home_text}")
    return found, home, about
