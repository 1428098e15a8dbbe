"""What the synth behind one output has been told to be: controls, bend, tuning, programs."""

from __future__ import annotations

from pointsman.chain import Entry
from pointsman.control_refs import ControlReader, ControlRef
from pointsman.controls import NAME_BY_CONTROL
from pointsman.device import Device
from pointsman.message import FIRST_SYSTEM_STATUS, Kind, kind_of
from pointsman.why.evidence import Evidence, Key, Setting, Told

BEND, BEND_RANGE, COARSE_TUNING = "bend", "bend range", "coarse tuning"
PITCH = frozenset({BEND, BEND_RANGE, COARSE_TUNING})
BEND_CENTRE, TUNING_CENTRE, USUAL_BEND_RANGE = 8192, 64, 2
"""Two semitones are what a synth is to begin with (MIDI 1.0, 4.2.1, RPN 0; common practice)."""

_RANGE = ControlRef(BEND_RANGE, parameter=(True, 0, 0), home=USUAL_BEND_RANGE)
_TUNING = ControlRef(COARSE_TUNING, parameter=(True, 0, 2), home=TUNING_CENTRE)
_BEND = ControlRef(BEND, home=BEND_CENTRE)


def key_of_number(channel: int, number: int) -> Key:
    """How the control of a number is called inside."""
    return channel, f"#{number}"


class Settings:
    """Hears everything that an output is sent, and enters it in the evidence."""

    def __init__(self, evidence: Evidence) -> None:
        self._evidence = evidence
        self._reader = reader_of(evidence.device)

    def hear(
        self, data: bytes, t_ns: int | None, entry: Entry | None = None, cause: bytes | None = None
    ) -> None:
        """Hear one message; `t_ns` is None before the first message of the input."""
        if data[0] >= FIRST_SYSTEM_STATUS:
            found = self._reader.sysex(data) if self._reader.reads_sysex else None
            if found is not None:
                self._enter(found[0].channel, found[0], Told(t_ns, found[1], entry, cause))
            return
        kind, channel = kind_of(data), data[0] & 0x0F
        if kind is Kind.CONTROL:
            ref, value = self._reader.control(data) or (plain(data[1]), data[2])
            self._enter(channel, ref, Told(t_ns, value, entry, cause))
        elif kind is Kind.BEND:
            self._enter(channel, _BEND, Told(t_ns, data[1] | data[2] << 7, entry, cause))
        elif kind is Kind.PROGRAM:
            programs = self._evidence.programs.setdefault(channel, [])
            programs.append(Told(t_ns, data[1], entry, cause))

    def _enter(self, channel: int, ref: ControlRef, told: Told) -> None:
        key = (channel, ref.name) if ref.cc is None else key_of_number(channel, ref.cc)
        settings = self._evidence.settings
        if key not in settings:
            settings[key] = Setting(ref)
        settings[key].values.append(told)

    def correct(self, sent: list[bytes]) -> None:
        """Have the evidence say what the synth was last sent in truth, where that is another thing.

        Of what is reached by SysEx the truth is not known.
        """
        mine = self._evidence
        truth = Evidence(mine.rig, mine.output, mine.spec)
        hearer = Settings(truth)
        for data in sent:
            hearer.hear(data, None)
        untold = [k for k, s in mine.settings.items() if s.control.sysex is None]
        for key in set(untold) - set(truth.settings):
            del mine.settings[key]
        for key, setting in truth.settings.items():
            known = mine.settings.get(key)
            if known is None or known.now.value != setting.now.value:
                mine.settings[key] = setting  # whatever we thought, it was not so
        for channel in set(mine.programs) - set(truth.programs):
            del mine.programs[channel]
        for channel, programs in truth.programs.items():
            thought = mine.programs.get(channel)
            if thought is None or thought[-1].value != programs[-1].value:
                mine.programs[channel] = programs


def reader_of(device: Device | None) -> ControlReader:
    """A reader of the device's controls, and of what any synth may be told of its pitch."""
    refs = list(device.controls.values()) if device else []
    known = {ref.parameter for ref in refs}
    return ControlReader([*refs, *(ref for ref in (_RANGE, _TUNING) if ref.parameter not in known)])


def plain(number: int) -> ControlRef:
    """A control that the device file does not name."""
    return ControlRef(NAME_BY_CONTROL.get(number, f"control {number}"), cc=number)
