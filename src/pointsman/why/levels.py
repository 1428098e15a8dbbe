"""Notes that leave next to nothing to hear: velocity, volume, controls at an end."""

from __future__ import annotations

from pointsman.why import findings as weigh
from pointsman.why.blame import Blame, Say, by, set_when
from pointsman.why.evidence import Evidence, Key, NoteOut, Setting
from pointsman.why.findings import place_of
from pointsman.why.settings import key_of_number
from pointsman.why.silent_ends import weight_of_end

VOLUME, EXPRESSION = 7, 11
OFF, NEARLY_OFF = 2, 10
"""Volume and expression up to here are silence, and as good as that. At 10 of 127 the level is
-44 dB by the published formula, 40 log(value / 127) (General MIDI guidelines, from memory)."""

TOO_QUIET, FAINT = 8, 20
"""Velocities up to here, in 127."""


def quiet(note: NoteOut, evidence: Evidence) -> Blame | None:
    """Its velocity is next to nothing."""
    if note.velocity > FAINT or not evidence.hears("velocity"):
        return None
    return Blame("velocity", weigh.TOO_QUIET if note.velocity <= TOO_QUIET else weigh.FAINT)


def say_quiet(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """Which, and who made it so."""
    entry = by(notes, "velocity")
    softest, hardest = min(n.velocity for n in notes), max(n.velocity for n in notes)
    span = str(softest) if softest == hardest else f"{softest} to {hardest}"
    return (
        f"the notes leave with velocity {span} of 127, too soft to be heard",
        f"{entry.label} makes them so" if entry else "they came in so",
        place_of(entry),
        f"give {entry.label} a higher range"
        if entry
        else "play harder, or add velocity with to: [64, 127]",
    )


def volume(note: NoteOut, evidence: Evidence) -> Blame | None:
    """Volume or expression of its channel is at the bottom."""
    if not evidence.hears("control"):
        return None
    for number in (VOLUME, EXPRESSION):
        setting = evidence.settings.get(key_of_number(note.channel, number))
        told = setting.at(note.t_ns) if setting else None
        if told is not None and told.value <= NEARLY_OFF:
            weight = weigh.VOLUME_OFF if told.value <= OFF else weigh.SILENT_END
            return Blame("volume", weight, (note.channel, number))
    return None


def say_volume(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """Which, and since when."""
    assert isinstance(blame.key, tuple)
    channel, number = blame.key
    setting = evidence.settings[key_of_number(channel, number)]
    told = setting.at(notes[-1].t_ns)
    name = "volume" if number == VOLUME else "expression"
    return (
        f"the {name} of channel {channel + 1} is at {told.value if told else 0}",
        set_when(told, evidence),
        place_of(told.entry) if told else "",
        f"bring it up: control {number} with a value of 100, on channel {channel + 1}"
        + (f"; and see {told.entry.label}" if told and told.entry else ""),
    )


def extreme(note: NoteOut, evidence: Evidence) -> Blame | None:
    """The control at an end of its range that is most to be suspected."""
    found: Blame | None = None
    for key, setting in evidence.once(_at_an_end).get(note.channel, ()):
        told = setting.at(note.t_ns)
        weight = weight_of_end(setting.control, told.value) if told else 0
        if weight and (found is None or weight > found.weight):
            found = Blame("extreme", weight, key)
    return found


def _at_an_end(evidence: Evidence) -> dict[int, list[tuple[Key, Setting]]]:
    """The controls that were ever to be suspected, by channel (0-15)."""
    found: dict[int, list[tuple[Key, Setting]]] = {}
    for key, setting in evidence.settings.items() if evidence.hears("control") else ():
        control = setting.control
        is_level = control.cc in (VOLUME, EXPRESSION)
        if not is_level and any(weight_of_end(control, told.value) for told in setting.values):
            found.setdefault(key[0], []).append((key, setting))
    return found


def say_extreme(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """Which, at which end, and since when."""
    setting = evidence.settings[blame.key]  # type: ignore[index]  # as `extreme` has made it
    told = setting.at(notes[-1].t_ns)
    assert told is not None
    control = setting.control
    low, high = control.range or (0, control.top)
    end = "the bottom" if told.value - low < high - told.value else "the top"
    home = "" if control.home is None else f"; its home is {control.home}"
    return (
        f"{control.name} is at {told.value}, {end} of its range",
        set_when(told, evidence) + home,
        place_of(told.entry),
        f"bring {control.name} back"
        + ("" if control.home is None else f" to {control.home}")
        + "; cc_reset does that by itself",
    )
