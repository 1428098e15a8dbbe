"""Which column of a table is what: by its heading, and by what its cells say."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

from pointsman.charts import reach as reaches
from pointsman.charts.headings import ADDRESSES, Told, period_of, role_of
from pointsman.charts.values import has_letters, is_blank, mark, signed, span

_HEX = re.compile(r"[0-9A-Fa-f]{2}")
_MAYBE_HEX = frozenset({"hex", "low", "high", "home"})


class Guess:
    """Guesses the roles of the columns of one table from its headings and the rows below them."""

    def __init__(self, headings: Sequence[str], rows: Sequence[Sequence[str]], told: Told) -> None:
        self._headings = headings
        self._rows = rows
        self._told = told.places(headings)

    def blocks(self) -> list[dict[int, str]]:
        """The roles by column; several such where a table stands beside another."""
        headings = self._headings
        period = period_of(headings)
        blocks = []
        for begin in range(0, len(headings), period):
            columns = range(begin, min(begin + period, len(headings)))
            roles: dict[int, str] = {}
            for column in columns:
                role = self._told.get(column) or self._by_heading(column)
                if role and (role in ("about", "ignore") or role not in roles.values()):
                    roles[column] = role
                elif role == "name":
                    roles[column] = "about"
            self._find_number(columns, roles)
            self._find_values([c for c in columns if role_of(headings[c]) is None], roles)
            self._find_name(columns, roles)
            blocks.append(roles)
        return blocks

    def hex_columns(self, roles: dict[int, str]) -> list[int]:
        """The columns with numbers in hex that are not marked so."""
        return [c for c, role in roles.items() if role in _MAYBE_HEX and self._is_hex(c)]

    def says_something(self, column: int) -> bool:
        """Whether any cell of the column has something in it."""
        return bool(self._below(column))

    def _by_heading(self, column: int) -> str | None:
        """What the heading says, where the cells below agree."""
        role = role_of(self._headings[column])
        cells = self._below(column)
        if role is None or not cells:
            return role
        if role in ADDRESSES and role not in ("nrpn", "rpn", "sysex"):
            share = sum(is_address(cell) for cell in cells) / len(cells)
            if share < 0.5:
                words = sum(has_letters(cell) for cell in cells) * 2 > len(cells)
                return "name" if words and role == "cc" and not self._is_hex(column) else None
        if role == "kind" and not any("RPN" in cell.upper() for cell in cells):
            return None
        if role == "range" and not any(span(cell) for cell in cells):
            return "about"
        return role

    def _find_number(self, columns: Sequence[int], roles: dict[int, str]) -> None:
        """The control number, where no heading says in which column it is."""
        taken = set(roles.values())
        if not taken & {*ADDRESSES, "hex", "recognized"}:
            column = self._number_column([c for c in columns if c not in roles])
            if column is not None:
                roles[column] = "cc"
            elif "fine" in taken:
                roles.update({c: "cc" for c, role in roles.items() if role == "fine"})
        for column, role in roles.items():
            if role == "cc" and self._is_hex(column):
                roles[column] = "hex"

    def _find_name(self, columns: Sequence[int], roles: dict[int, str]) -> None:
        """The column of words with the most different ones; groups before it, remarks after."""
        taken = set(roles.values())
        if taken & {"name", "transmitted"}:
            return
        worded = [c for c in columns if c not in roles and self._has_words(c)]
        if worded:
            name = max(worded, key=lambda c: (len(set(self._below(c))), -c))
            roles[name] = "name"
            if worded[0] < name and "group" not in taken:
                roles[worded[0]] = "group"
            if name < worded[-1] and "about" not in taken:
                roles[worded[-1]] = "about"
        elif "about" in taken and "about" not in self._told.values():
            roles[next(c for c, role in roles.items() if role == "about")] = "name"

    def _number_column(self, columns: Sequence[int]) -> int | None:
        best: tuple[float, int] | None = None
        for column in columns:
            cells = self._below(column)
            good = [cell for cell in cells if is_address(cell) or self._is_hex(column)]
            if not cells or len(good) / len(cells) < 0.6:
                continue
            different = len(set(good)) / len(cells)
            if best is None or different > best[0]:
                best = (different, column)
        return best[1] if best else None

    def _find_values(self, columns: Sequence[int], roles: dict[int, str]) -> None:
        """Find ranges, or lowest and highest, and the value at rest, by what the cells say."""
        numeric = []
        for column in columns:
            cells = self._below(column)
            if column in roles or not cells:
                continue
            if sum(span(cell) is not None for cell in cells) * 2 > len(cells):
                if not {"range", "low"} & set(roles.values()):
                    roles[column] = "range"
            elif all(signed(cell) is not None for cell in cells):
                numeric.append(column)
        if not {"range", "low", "high"} & set(roles.values()):
            for low, high in pairwise(numeric):
                if self._are_ends(low, high):
                    roles[low], roles[high] = "low", "high"
                    break
        if "home" not in roles.values():
            homes = [c for c in numeric if c not in roles and self._look_like_homes(c)]
            roles.update(dict.fromkeys(homes[:1], "home"))

    def _are_ends(self, low: int, high: int) -> bool:
        """Whether each row has a lower and a higher number there, most from 0 or to 127."""
        pairs = [
            (signed(cells[low]), signed(cells[high]))
            for cells in self._rows
            if max(low, high) < len(cells)
        ]
        ends = [(a, b) for a, b in pairs if a is not None and b is not None]
        usual = sum(a in (0, -64, -63) and b in (127, 63, 64, 1) for a, b in ends)
        return bool(ends) and all(a < b for a, b in ends) and usual * 2 > len(ends)

    def _look_like_homes(self, column: int) -> bool:
        """Whether most numbers are those at which controls rest, unlike pages or numbers."""
        cells = self._below(column)
        return sum(signed(cell) in (0, 64, 127) for cell in cells) * 2 > len(cells)

    def _below(self, column: int) -> list[str]:
        cells = [cells[column] for cells in self._rows if column < len(cells)]
        return [cell for cell in cells if not is_blank(cell)]

    def _is_hex(self, column: int) -> bool:
        cells = self._below(column)
        return (
            bool(cells)
            and all(_HEX.fullmatch(cell) for cell in cells)
            and any(has_letters(cell) for cell in cells)
        )

    def _has_words(self, column: int) -> bool:
        cells = self._below(column)
        words = [cell for cell in cells if has_letters(cell) and mark(cell) is None]
        return len(words) * 2 > len(cells) > 0


def is_address(cell: str) -> bool:
    """Whether a cell says how a control is reached."""
    found = reaches.numbers(cell) or next(iter(reaches.find(cell)), None)
    return found is not None and bool(found.reaches)
