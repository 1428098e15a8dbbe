"""Which column of a table is what: guessed from the heading, or told."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from pointsman.options import suggest

ROLES = {
    "cc": "the control number",
    "hex": "the control number in hex",
    "fine": "the number of the fine half of a 14-bit pair",
    "nrpn": "an NRPN in one cell, such as 1:8",
    "nrpn_msb": "the coarse half of an NRPN",
    "nrpn_lsb": "the fine half of an NRPN",
    "rpn": "an RPN in one cell, such as 0:1",
    "rpn_msb": "the coarse half of an RPN",
    "rpn_lsb": "the fine half of an RPN",
    "sysex": "a SysEx message with one byte that varies, such as F0 7D 10 vv F7",
    "kind": "CC, NRPN or RPN",
    "name": "the control's name",
    "low": "the lowest value",
    "high": "the highest value",
    "range": "both, such as 0-127",
    "home": "the value at rest: the default",
    "nrpn_low": "the lowest value where there is an NRPN",
    "nrpn_high": "the highest value where there is an NRPN",
    "nrpn_home": "the value at rest where there is an NRPN",
    "about": "remarks",
    "group": "the part of the synth, such as Oscillator 1",
    "transmitted": "whether the synth sends it",
    "recognized": "whether the synth hears it",
    "ignore": "nothing that is wanted",
}
"""What a column can be, as `--column ROLE=HEADING` names it."""

ADDRESSES = ("cc", "nrpn", "nrpn_msb", "rpn", "rpn_msb", "sysex")

_NUMBER = r"(?: ?(?:#|no|nr|num|number|numbers|id|dec|decimal|code))?"
_VALUE = r"(?: ?(?:value|val))?"
_HEADINGS = (
    ("hex", r"(?:cc |control |controller )?(?:# |no |number )?(?:hex|hexadecimal)(?: value)?"),
    ("nrpn_msb", r"nrpn (?:msb|coarse|high)(?: ?(?:#|no|99))?"),
    ("nrpn_lsb", r"nrpn (?:lsb|fine|low)(?: ?(?:#|no|98))?"),
    ("rpn_msb", r"rpn (?:msb|coarse)"),
    ("rpn_lsb", r"rpn (?:lsb|fine)"),
    ("nrpn_low", rf"nrpn (?:min|minimum|lowest|from){_VALUE}"),
    ("nrpn_high", rf"nrpn (?:max|maximum|highest|to){_VALUE}"),
    ("nrpn_home", rf"nrpn (?:default|init|initial){_VALUE}"),
    ("nrpn", rf"nrpn{_NUMBER}(?: msb ?lsb)?"),
    ("rpn", rf"rpn{_NUMBER}"),
    ("sysex", r"sys ?ex(?: message)?|system exclusive|exclusive message"),
    ("fine", r"(?:midi )?(?:cc |control )?(?:lsb|fine)(?: cc)?"),
    ("cc", rf"(?:midi )?(?:cc|ctrl|ctl|control change|controller|control){_NUMBER}s?(?: msb)?"),
    ("cc", r"(?:midi )?(?:cc )?(?:msb|coarse)|#|no|nr|number|num|dec|decimal|midi|midi ?#"),
    ("low", rf"(?:cc )?(?:min|minimum|lo|low|lowest|from|lower|bottom|start){_VALUE}"),
    ("high", rf"(?:cc )?(?:max|maximum|hi|high|highest|to|upper|top|end){_VALUE}"),
    (
        "home",
        rf"(?:cc )?(?:default|def|init|initial|home|reset|power ?on|at rest|factory){_VALUE}s?",
    ),
    ("range", r"(?:cc |value |data |midi )?(?:range|values?|data)(?: ?\(.*\))?|min ?max"),
    ("kind", r"(?:message |midi )?(?:type|kind)|message"),
    ("group", r"section|group|category|block|module|area|part|unit name"),
    ("transmitted", r"transmit(?:ted|s)?(?: export)?|tx|sends?|sent"),
    ("recognized", r"recogni[sz]ed?(?: import)?|receive[ds]?|rx|response|responds|heard"),
    ("name", r"(?:cc |control |controller |parameter |param )?(?:name|label)"),
    ("name", r"parameters?|param|function|assignment|assigned to|destination|target|knob|item"),
    (
        "about",
        r"remarks?|notes?|comments?|description|details?|usage|info(?:rmation)?|about|meaning",
    ),
)
_PATTERNS = [(role, re.compile(rf"(?:{pattern})")) for role, pattern in _HEADINGS]
_UNPAREN = re.compile(r"\s*\((?!msb|lsb)[^)]*\)")


def plain_heading(text: str) -> str:
    """A heading in lower case, without brackets and punctuation."""
    text = text.replace("_", " ").lower()
    words = re.findall(r"[^\W_]+|#", text)
    return " ".join(words).replace("#", " #").replace("  ", " ").strip()


@lru_cache(maxsize=4096)
def role_of(text: str) -> str | None:
    """The role that a heading names, or None."""
    for shown in (text, _UNPAREN.sub("", text)):
        plain = plain_heading(shown)
        for role, pattern in _PATTERNS:
            if plain and pattern.fullmatch(plain):
                return role
    return _by_words(set(plain_heading(_UNPAREN.sub("", text)).split()))


_PARTS = (
    ("msb", {"msb", "coarse"}),
    ("lsb", {"lsb", "fine"}),
    ("low", {"min", "minimum", "low", "lowest"}),
    ("high", {"max", "maximum", "high", "highest"}),
    ("home", {"default", "init", "initial", "home", "rest"}),
    ("hex", {"hex", "hexadecimal"}),
)
_OF_CONTROLS = {"msb": "cc", "lsb": "fine"}


def _by_words(words: set[str]) -> str | None:
    """The role of a heading such as `Fine CC` or `Highest NRPN value`, in whatever order."""
    part = next((name for name, some in _PARTS if words & some), None)
    family = next((name for name in ("nrpn", "rpn", "cc") if name in words), None)
    if part is None or family is None or len(words) > 4 or any(map(str.isdecimal, words)):
        return None
    role = _OF_CONTROLS.get(part, part) if family == "cc" else f"{family}_{part}"
    return role if role in ROLES else None


def period_of(headings: Sequence[str]) -> int:
    """After how many columns the same headings come again: tables that stand side by side."""
    named = [plain_heading(heading) for heading in headings]
    while named and not named[-1]:
        named.pop()
    for period in range(2, (len(named) + 1) // 2 + 1):
        if sum(bool(name) for name in named[:period]) < 2:
            continue
        if all(name == named[place % period] for place, name in enumerate(named)):
            return period
    return max(len(headings), 1)


@dataclass
class Told:
    """What the player said of columns: pairs of a role and a heading, or the number of a column."""

    pairs: Sequence[tuple[str, str]] = ()
    used: set[tuple[str, str]] = field(default_factory=set)

    def places(self, headings: Sequence[str]) -> dict[int, str]:
        """The roles that were told, by column (from 0), among these headings."""
        plain = [plain_heading(heading) for heading in headings]
        found = {}
        for role, wanted in self.pairs:
            place = None
            if plain_heading(wanted) in plain:
                place = plain.index(plain_heading(wanted))
            elif wanted.isdecimal() and wanted.isascii() and 1 <= int(wanted) <= len(headings):
                place = int(wanted) - 1
            if place is not None:
                self.used.add((role, wanted))
                found[place] = role
        return found

    def is_heading(self, cell: str) -> bool:
        """Whether a cell is a heading that was told."""
        return bool(cell.strip()) and plain_heading(cell) in {
            plain_heading(h) for _, h in self.pairs
        }

    def unused(self) -> list[tuple[str, str]]:
        """What was told of columns that are nowhere in the chart."""
        return [pair for pair in self.pairs if pair not in self.used]


def check_role(role: str) -> None:
    """Raise ValueError, which says what there is, when a column cannot have this role."""
    if role not in ROLES:
        raise ValueError(f"there is no role '{role}'; {suggest(role, sorted(ROLES))}")
