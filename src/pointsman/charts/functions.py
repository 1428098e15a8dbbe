"""The rows of the published implementation chart: what a synth hears, where, and which notes.

Version 1 (MIDI 1.0, 4.2.1, pp. A-7, A-8) has the columns Function, Transmitted, Recognized,
Remarks with o and x; version 2 (RP-028, pp. 5-7) has Yes and No. A label of version 1 stands over
two lines (`Basic` `Channel`, `After` `Touch`), so that the parts must do.
"""

from __future__ import annotations

import re

from pointsman.charts.chart import Chart, Fate, Line
from pointsman.charts.values import SPAN, mark, number, span
from pointsman.units import parse_note

HEARD = (
    "note", "velocity", "control", "bend", "program", "channel_pressure", "key_pressure",
    "sysex", "clock", "transport", "song_position", "song_select", "active_sensing",
)  # fmt: skip
"""What a device file's `receives` can say, in the order in which it is written."""

_AFTER = r"(?:after\s?touch|after|touch|pressure)"
_COMMON = r"(?:system\s)?(?:common\s)?"
_REAL = r"(?:system\s)?(?:real\s?time\s)?"
_AUX = r"(?:aux(?:iliary)?\s)?(?:mes)?(?:sages?\s)?"

_ROWS = (
    ("channel", r"basic(?:\schannel)?\sdefault|channel\sdefault|(?:basic|midi|receive)\schannels?"),
    ("", r"(?:basic\s)?channel\schanged|changed"),
    ("active_sensing", rf"{_AUX}active\ssens(?:e|ing)"),
    (
        "",
        rf"{_AUX}(?:local\s?(?:on\W*off|control)?|all\s(?:notes?|sounds?)\soff|(?:system\s)?reset)",
    ),
    ("", r"mode\s(?:default|messages|altered)|messages|altered|modes?\s?supported"),
    ("notes", r"(?:note\s)?(?:number\s)?true\svoice|(?:note|key)\srange"),
    ("note", r"note\snumbers?|note(?=\s*$|\s+(?:[ox](?!\w)|\*|\d+-))"),
    ("velocity", r"(?:velocity\s)?note\s?-?on(?:\svelocity)?|velocity"),
    ("", r"(?:velocity\s)?note\s?-?off(?:\svelocity)?"),
    ("key_pressure", rf"(?:{_AFTER}\s)?(?:key'?s|poly(?:phonic)?)(?:\s?\(key\))?(?:\s{_AFTER})?"),
    ("key_pressure", rf"key\s{_AFTER}"),
    ("channel_pressure", rf"{_AFTER}\s(?:ch'?s?|channel|mono)|(?:channel|mono)\s{_AFTER}"),
    ("channel_pressure", r"ch's|after\s?touch"),
    ("bend", r"pitch\s?-?(?:bend(?:er)?|wheel)"),
    ("", r"(?:prog(?:ram)?\.?\s?)?(?:change\s)?true\s?(?:#|no\.?|number)"),
    ("program", r"prog(?:ram)?\.?\schanges?|prog(?:ram)?\.?(?=\s*$|\s+(?:[ox](?!\w)|\*|\d+-))"),
    ("control", r"control(?:ler)?\schanges?"),
    ("sysex", r"(?:manufacturer\sor\snon-?commercial\s)?system\sexclusive|sys\s?ex|exclusive"),
    ("song_position", rf"{_COMMON}song\spos(?:ition)?\.?(?:\spointer)?"),
    ("song_select", rf"{_COMMON}song\ssel(?:ect)?\.?"),
    ("", rf"{_COMMON}tune(?:\srequest)?"),
    ("clock", rf"{_REAL}(?:midi\s)?(?:timing\s)?clock"),
    ("transport", rf"{_REAL}(?:commands?|start|transport)(?:\W+(?:stop|continue|and))*"),
    ("", r"continue|stop"),
    ("", r"bank\sselect(?:\sresponse)?\??|mode\s[1-4]\b|multi\smode|nrpns?|rpns?\s\d\d"),
    (
        "",
        r"midi\s(?:time\scode|machine\scontrol|show\scontrol|tuning)|(?:sp-midi|dls|gm|general\smidi)",
    ),
    (
        "",
        r"is\sgm\sdefault|standard\smidi\sfiles|xmf\sfiles|(?:other\s)?universal\ssystem\sexclusive",
    ),
    ("", r"sample\sdump\sstandard|device\sinquiry|file\s(?:dump|reference)|notation\sinformation"),
    ("", r"turn\sgm\d?\s|controller\sdestination|key-based\sinstrument|master\s(?:fine|coarse)"),
)
_PATTERNS = [(fact, re.compile(rf"{row}(?![a-z])", re.IGNORECASE)) for fact, row in _ROWS]

_VOICES = re.compile(
    r"(?:(?:max(?:imum)?\.?\s)?(?:polyphony|voices)|number\sof\svoices)\s*[:=]?\s*(\d{1,4})(?:\s(?:notes|voices?))?"
    r"|(\d{1,4})[- ](?:voices?|notes?)(?:\spolyphon(?:y|ic))?",
    re.IGNORECASE,
)
_MODEL = re.compile(
    r"(?:\[[^\]]*\]\s*)?\b(?:model|instrument|product|device\sname)(?:\sname)?\s*[:=]?\s+"
    r"(.+?)(?=\s+midi\simpl|\s+version\b|\s+date\b|$)",
    re.IGNORECASE,
)
_LEGEND = re.compile(
    r"mode\s?1\s?:?\s?omni|mode\s?3\s?:?\s?omni|\bo\s?[:=]\s?yes|\bx\s?[:=]\s?no\b"
    r"|\bmidi\simplementation|^notes?\b\s*\W?\d?\b|^if\syes\b|\b(?:version|date)\b\W*\d|\bfunction\b.*\brecogni",
    re.IGNORECASE,
)
_NOTE = r"[A-G][#b]?\s?-?\d"
_NOTE_SPAN = re.compile(rf"({_NOTE})\s*(?:-|~|to|\.{{2,3}})\s*({_NOTE})")
_GROUPS = re.compile(
    r"(basic|mode|note\snumber|velocity|after\s?touch|control\schange|system|aux)\b", re.IGNORECASE
)
_STARS = re.compile(r"\*{2,}|-{2,}")


class Functions:
    """Reads function rows into a chart; it remembers under which heading the last one stood."""

    def __init__(self, chart: Chart) -> None:
        self._chart = chart
        self._group = ""
        self._range_from_true_voice = False

    def text(self, line: Line, text: str) -> bool:
        """Read a line of text as a row; False when it is none."""
        text = " ".join(re.sub(r"[:|]", " ", text).split())
        if self._about_the_synth(line, text):
            return True
        if self._group.startswith("note") and _STARS.match(text):
            text = f"True Voice {text}"
        fact, match = _find(text)
        if match is None:
            return self._default(line, text)
        columns = _columns(text[match.end() :])
        if not columns:
            return False
        if fact not in ("channel", "notes", "note"):  # `o 0-31 o 0-31`: the marks are meant
            columns = [each for each in columns if mark(each) is not None or not each] or columns
        self.row(line, text[: match.end()], columns[min(1, len(columns) - 1)], fact)
        return True

    def cells(self, line: Line, label: str, recognized: str) -> bool:
        """Read a row of a table; False when its label is none of the published ones."""
        label = " ".join(label.replace(":", " ").split())
        if self._about_the_synth(line, f"{label} {recognized}"):
            return True
        fact, match = _find(label)
        if match is None:
            return self._default(line, f"{label} {recognized}")
        self.row(line, label, recognized, fact)
        return True

    def row(self, line: Line, label: str, recognized: str, fact: str) -> None:
        """Take up a row that was recognized."""
        group = _GROUPS.match(label)
        self._group = group[1].lower() if group else self._group
        if not fact and "true" in label.lower() and mark(recognized) is not None:
            fact = "program"
        if fact == "channel":
            self._channel(line, recognized)
        elif fact in ("notes", "note"):
            self._notes(line, fact, recognized)
        elif fact:
            self._hears(line, fact, recognized)
        else:
            self._chart.fact(line, f"{label}: understood; a device file has no place for it")

    def heading(self, text: str) -> bool:
        """Whether a line names a group of rows and no more: `Basic Channel`, `System Common`."""
        text = " ".join(re.sub(r"[:|]", " ", text).split())
        group = _GROUPS.match(text)
        if group and len(text.split()) <= 4:
            self._group = group[1].lower()
            return True
        return bool(_LEGEND.search(text))

    def _default(self, line: Line, text: str) -> bool:
        """`Default 1 1` under `Basic Channel`."""
        words = text.split()
        if words[:1] and words[0].lower() == "default" and self._group:
            columns = _columns(" ".join(words[1:])) or [""]
            self.row(
                line, "Default", columns[min(1, len(columns) - 1)],
                "channel" if self._group == "basic" else "",
            )  # fmt: skip
            return True
        return False

    def _about_the_synth(self, line: Line, text: str) -> bool:
        voices = _VOICES.fullmatch(text.strip(" .;-*"))
        if voices:
            count = int(voices[1] or voices[2])
            if 1 <= count <= 2048:
                self._chart.voices = count
                self._chart.fact(line, f"voices {count}")
                return True
        model = _MODEL.match(text) or (_LEGEND.search(text) and _MODEL.search(text))
        if model and len(model[1].split()) <= 5 and mark(model[1]) is None:
            self._chart.name = self._chart.name or model[1].strip(" .,;:")
            self._chart.fact(line, f"the name: {self._chart.name}")
            return True
        return False

    def _channel(self, line: Line, recognized: str) -> None:
        channel = number(recognized.removeprefix("Ch").strip(" ."))
        if channel is not None and 1 <= channel <= 16:
            self._chart.channel = channel
            self._chart.fact(line, f"channel {channel}")
        else:
            what = f"the channel can be '{recognized}'" if recognized else "no channel there"
            self._chart.fact(line, f"{what}; write channel: by hand")

    def _notes(self, line: Line, fact: str, recognized: str) -> None:
        heard = mark(recognized)
        if fact == "note" and heard is not None:
            self._hears(line, "note", recognized)
            return
        notes = _note_range(recognized)
        if notes is None:
            self._chart.fact(line, f"no range of notes in '{recognized}'; write notes: by hand")
            return
        self._chart.hears.setdefault("note", True)
        if fact == "notes" or not self._range_from_true_voice:
            self._chart.notes = notes
        self._range_from_true_voice |= fact == "notes"
        self._chart.fact(line, f"notes {notes[0]} to {notes[1]}")

    def _hears(self, line: Line, kind: str, recognized: str) -> None:
        heard = mark(recognized)
        if heard is None:
            heard = True if span(recognized) or number(recognized) is not None else None
        if heard is None:
            line.is_now(Fate.NOT_UNDERSTOOD, f"neither yes nor no for {kind}: '{recognized}'")
            return
        self._chart.hears[kind] = heard
        self._chart.fact(line, f"{'hears' if heard else 'does not hear'} {kind}")


def _find(text: str) -> tuple[str, re.Match[str] | None]:
    for fact, pattern in _PATTERNS:
        match = pattern.match(text)
        if match:
            return fact, match
    return "", None


def _columns(text: str) -> list[str]:
    """The marks, numbers and ranges in the columns Transmitted and Recognized."""
    found = []
    text = _NOTE_SPAN.sub(lambda m: f"{m[1]}-{m[2]}".replace(" ", ""), text)
    text = SPAN.sub(lambda m: f"{m[1]}-{m[2]}".replace(" ", ""), text)
    for token in text.split():
        if _is_column(token):
            found.append("" if _STARS.fullmatch(token) else token)
    return found


def _is_column(token: str) -> bool:
    return (
        mark(token) is not None
        or number(token) is not None
        or bool(_STARS.fullmatch(token))
        or bool(SPAN.fullmatch(token) or _NOTE_SPAN.fullmatch(token))
    )


def _note_range(text: str) -> tuple[str, str] | None:
    """A range of notes, as numbers or as names; names count as the rig's middle_c says."""
    named = _NOTE_SPAN.search(text)
    if named:
        ends = (named[1].replace(" ", ""), named[2].replace(" ", ""))
        try:
            low, high = (parse_note(end) for end in ends)
        except ValueError:
            return None
        return ends if low <= high else None
    found = span(text)
    if found is None or not 0 <= found.low <= found.high <= 127:
        return None
    return str(found.low), str(found.high)
