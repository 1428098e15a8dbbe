"""How a chart says that a control is reached: CC 74, 7/39, NRPN 1:8, B0 4A vv, F0 7D 10 vv F7."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from pointsman.charts.values import NUMBER, number
from pointsman.control_refs import parse_sysex

FINE = 32
"""The fine half of control n is n + 32 (MIDI 1.0, 4.2.1, p. 12)."""

MOST_AT_ONCE = 32
"""A list such as 20-27 of more controls than this is taken for something else."""


@dataclass(frozen=True)
class Reach:
    """The way to one control; exactly one of `cc`, `nrpn`, `rpn` and `sysex` is there."""

    cc: int | None = None
    fine: int | None = None
    nrpn: tuple[int, int] | None = None
    rpn: tuple[int, int] | None = None
    sysex: str | None = None

    def __str__(self) -> str:
        if self.cc is not None:
            return f"cc {self.cc}" + (f" and {self.fine}" if self.fine is not None else "")
        if self.sysex is not None:
            return f"sysex {self.sysex}"
        kind, pair = ("nrpn", self.nrpn) if self.nrpn else ("rpn", self.rpn)
        return f"{kind} {pair[0]} {pair[1]}" if pair else "nothing"


@dataclass(frozen=True)
class Found:
    """Where in a line controls are named, and which. `why_not` says what is wrong with them."""

    start: int
    end: int
    reaches: tuple[Reach, ...] = ()
    why_not: str = ""


_N = NUMBER
_GAP = r"[ \t]*"
_ALSO = rf"{_GAP}(?:\((?:MSB|LSB)\)|MSB|LSB)?{_GAP}"
_NEXT = rf"(?:[/,+&]|and\b){_GAP}(?:(?:MIDI )?CC{_GAP}[#:]?{_GAP})?(?:LSB{_GAP}[:=]?{_GAP})?"
_NO_SPAN = r"(?!\w|\s*(?:-|~|\.\.|to\b|[:=])\s*[+-]?\d)"
_NUMBERS = rf"(?:MSB{_GAP}[:=]?{_GAP})?({_N})(?!\w)({_ALSO}(?:{_NEXT}{_N}{_NO_SPAN}{_ALSO})*)"
_RUN = rf"(?:-({_N})(?![\w-]))?"

_SYSEX = re.compile(r"\bF0[Hh]?(?:[ ,]+[0-9A-Za-z{}]{1,7})+?[ ,]+F7[Hh]?\b")
_STATUS = re.compile(
    r"\bB[n0-9A-Fx][Hh]?[ ,]+([0-9A-Fa-f]{2})[Hh]?[ ,]+"
    r"(?:[vnxmdl]{1,2}[Hh]?|\{value\}|[0-9A-Fa-f]{2}[Hh]?(?:-[0-9A-Fa-f]{2}[Hh]?)?)(?!\w)"
)
_BY_NUMBERS = re.compile(
    rf"(?:(?:N?RPN)\W{{0,3}})?(?:CC{_GAP}#?{_GAP})?(99|101){_GAP}[:=]{_GAP}({_N})\W{{1,4}}"
    rf"(?:CC{_GAP}#?{_GAP})?(98|100){_GAP}[:=]{_GAP}({_N})(?!\w)\)?",
    re.IGNORECASE,
)
_PARAMETER = re.compile(
    rf"(?<!\w)(N?RPN){_GAP}(?:no\.?|number|#)?{_GAP}[:=(\[]?{_GAP}"
    rf"(?:MSB{_GAP}[:=]?{_GAP})?({_N})(?!\w)"
    rf"(?:{_GAP}[/,:.;-]?{_GAP}(?:LSB{_GAP}[:=]?{_GAP})?({_N}){_NO_SPAN})?{_GAP}[)\]]?",
    re.IGNORECASE,
)
_STRONG = re.compile(
    rf"(?<![\w])(?:MIDI{_GAP})?(?:CC|C\.C\.){_GAP}(?:no\.?|nr\.?|number|num\.?)?{_GAP}"
    rf"[#:=(\[-]*{_GAP}{_NUMBERS}{_RUN}{_GAP}[)\]]?",
    re.IGNORECASE,
)
_WEAK = re.compile(
    rf"(?<![\w])(?:control(?:ler)?(?:{_GAP}change)?|ctrl|ctl){_GAP}(?:no\.?|nr\.?|number|num\.?)?"
    rf"{_GAP}[#:=(\[]*{_GAP}{_NUMBERS}{_RUN}{_GAP}[)\]]?",
    re.IGNORECASE,
)
_HASH = re.compile(rf"(?:(?<=^)|(?<=\s))#{_GAP}{_NUMBERS}{_RUN}", re.IGNORECASE)


def find(line: str) -> list[Found]:
    """Every place of a line that names controls outright, from left to right.

    `Control 3` may be a name, so such words count only where no CC, NRPN or SysEx stands beside.
    """
    strong = [*_sysex(line), *_parameters(line), *_status(line), *_controls(_STRONG, line)]
    return _apart(strong) or _apart(_controls(_WEAK, line)) or _apart(_controls(_HASH, line))


def numbers(text: str) -> Found | None:
    """Controls in a cell that holds bare numbers: 74, 74 (4AH), 7/39, 20-23, 20, 21, 22."""
    text = text.strip()
    match = re.fullmatch(rf"#?{_NUMBERS}(?:\s*-\s*({_N}))?(\s*[(\[/=]?\s*{_N}\s*[)\]]?)?", text)
    if match is None:
        return None
    first, again = number(match[1]), number((match[4] or "").strip(" ()[]/="))
    if match[4] and first != again and not _is_pair(first, again):
        return None
    if match[4] and _is_pair(first, again):
        return Found(0, len(text), (Reach(cc=first, fine=again),))
    return _listed(0, len(text), match)


def _is_pair(coarse: int | None, fine: int | None) -> bool:
    return coarse is not None and coarse < FINE and fine == coarse + FINE


def pair(coarse: int | None, fine: int | None) -> Reach | None:
    """A control from its number (0-127) and its fine half, where there is one and it fits."""
    if coarse is None or not 0 <= coarse <= 127:
        return None
    return Reach(cc=coarse, fine=fine if _is_pair(coarse, fine) else None)


def parameter(kind: str, coarse: int | None, fine: int | None) -> Reach | None:
    """An NRPN or RPN from its two halves, or from one number of 14 bits (`fine` None)."""
    if coarse is None:
        return None
    if fine is None:
        coarse, fine = coarse >> 7, coarse & 127
    if not (0 <= coarse <= 127 and 0 <= fine <= 127):
        return None
    return Reach(nrpn=(coarse, fine)) if kind.upper() == "NRPN" else Reach(rpn=(coarse, fine))


def sysex(text: str) -> Reach | None:
    """A SysEx message with one byte that varies, written vv, nn, xx, dd or {value}."""
    words = []
    for each in text.replace(",", " ").split():
        plain = each[:-1] if len(each) == 3 and each[-1] in "hH" else each
        is_byte = re.fullmatch(r"[0-9A-Fa-f]{2}", plain) and plain.lower() != "dd"
        words.append(plain.upper() if is_byte else "{value}")
    message = " ".join(words)
    try:
        parse_sysex(message)
    except ValueError:
        return None
    return Reach(sysex=message)


def _apart(found: Iterable[Found]) -> list[Found]:
    """From left to right, leaving out what lies inside another."""
    kept: list[Found] = []
    for each in sorted(found, key=lambda f: (f.start, -f.end)):
        if not kept or each.start >= kept[-1].end:
            kept.append(each)
    return kept


def _sysex(line: str) -> Iterator[Found]:
    for match in _SYSEX.finditer(line):
        reach = sysex(match[0])
        why_not = "" if reach else "a SysEx message needs exactly one byte that varies, such as vv"
        yield Found(match.start(), match.end(), (reach,) if reach else (), why_not)


def _status(line: str) -> Iterator[Found]:
    for match in _STATUS.finditer(line):
        reach = pair(int(match[1], 16), None)
        why_not = "" if reach else _too_high(match[1])
        yield Found(match.start(), match.end(), (reach,) if reach else (), why_not)


def _too_high(text: str) -> str:
    return f"{text} is above 127, and no control"


def _parameters(line: str) -> Iterator[Found]:
    for match in _BY_NUMBERS.finditer(line):
        kind = "NRPN" if match[1] == "99" else "RPN"
        yield _one_parameter(match, kind, number(match[2]), number(match[4]))
    for match in _PARAMETER.finditer(line):
        fine = number(match[3]) if match[3] else None
        yield _one_parameter(match, match[1], number(match[2]), fine)


def _one_parameter(match: re.Match[str], kind: str, coarse: int | None, fine: int | None) -> Found:
    reach = parameter(kind, coarse, fine)
    why_not = "" if reach else f"an {kind.upper()} has two numbers from 0 to 127"
    return Found(match.start(), match.end(), (reach,) if reach else (), why_not)


def _controls(pattern: re.Pattern[str], line: str) -> Iterator[Found]:
    for match in pattern.finditer(line):
        yield _listed(match.start(), match.end(), match)


def _listed(start: int, end: int, match: re.Match[str]) -> Found:
    """One control, a pair, a list (20, 21, 22) or a run (20-23): groups 1, 2 and 3 of `match`."""
    listed = [match[1], *re.findall(_N, re.sub(r"[MLC]SB|CC", "", match[2] or "", flags=re.I))]
    all_numbers = [n for n in map(number, listed) if n is not None]
    last = number(match[3]) if match[3] else None
    if len(all_numbers) == 2 and _is_pair(*all_numbers):
        return Found(start, end, (Reach(cc=all_numbers[0], fine=all_numbers[1]),))
    if last is not None:
        run = range(all_numbers[-1] + 1, last + 1)
        if not run or len(run) > MOST_AT_ONCE:
            return Found(start, end, (), f"{match[0].strip()} are too many numbers for one name")
        all_numbers += run
    high = next((n for n in all_numbers if n > 127), None)
    if high is not None:
        return Found(start, end, (), _too_high(str(high)))
    return Found(start, end, tuple(Reach(cc=n) for n in all_numbers))
