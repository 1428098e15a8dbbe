"""cc_map: turns controls into other controls, bend, pressure, program changes, NRPN, RPN or SysEx.

How this works. Every target is a `ControlRef` that makes the messages for a value; bend, pressure
and program are three more, defined here. Values between controls of 7 and of 14 bits go up by the
min-centre-max rule (M2-115-U, section 3) and down by a right shift.

The synth has one parameter selected on each channel. After an NRPN or RPN of ours the one that the
stream itself had selected is selected again, so that its data entry does not go astray.
"""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from typing import Annotated, Any, NamedTuple, Self

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, WrapValidator

from pointsman.plugin import (
    REST_OF_ENTRY,
    SHOWN,
    Away,
    Context,
    Control,
    ControlReader,
    ControlRef,
    Emission,
    Flow,
    Host,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    as_int,
    flow_of,
    hookimpl,
    missing,
    named_twice,
    parse_sysex,
    program_change,
    read_on,
    select_parameter,
)

NULL_PARAMETER = (True, 127, 127)
"""The RPN that selects nothing (MIDI 1.0, 4.2.1, p. 18; RP-015); it ends NRPNs as well."""

BEND_CENTRE = 8192


class Bend(ControlRef):
    """Pitch bend: 14 bits, the fine half first (MIDI 1.0, 4.2.1, p. 19)."""

    @property
    def top(self) -> int:
        """The highest value."""
        return 16383

    def messages(self, channel: int, value: int) -> list[bytes]:
        """One pitch bend message."""
        return [bytes((0xE0 | channel, value & 0x7F, value >> 7))]


class Pressure(ControlRef):
    """Channel pressure."""

    def messages(self, channel: int, value: int) -> list[bytes]:
        """One channel pressure message."""
        return [bytes((0xD0 | channel, value))]


class Program(ControlRef):
    """A program change; a value of 0 is the program that players call 1."""

    def messages(self, channel: int, value: int) -> list[bytes]:
        """One program change."""
        return [program_change(channel, value)]


class Closed(ControlRef):
    """An NRPN or RPN that is followed by the null number, so that nothing stays selected."""

    def messages(self, channel: int, value: int) -> list[bytes]:
        """Number, data entry, null number."""
        return [*super().messages(channel, value), *select_parameter(channel, NULL_PARAMETER)]


# ---- reading targets from a rig ----------------------------------------------------------------


def _is_true(value: object) -> bool:
    return value is True or value == "true"


def _message(make: Callable[[], ControlRef]) -> Callable[[str, object], ControlRef]:
    def read(way: str, value: object) -> ControlRef:
        if not _is_true(value):
            wrong = missing(value) or f"'{value}' is wrong here"
            raise ValueError(f"{wrong}; write {way}: true")
        return make()

    return read


def _parameter(way: str, value: object) -> ControlRef:
    halves = [as_int(half) for half in value] if isinstance(value, list | tuple) else []
    coarse, fine = halves if len(halves) == 2 else (None, None)
    if coarse is None or fine is None or not (0 <= coarse <= 127 and 0 <= fine <= 127):
        raise ValueError(f"'{way}' has two values from 0 to 127; write for example {way}: [1, 8]")
    return ControlRef(way, parameter=(way == "rpn", coarse, fine))


def _sysex(way: str, value: object) -> ControlRef:
    return ControlRef(way, sysex=parse_sysex(str(value or "")))


_WAYS: dict[str, Callable[[str, object], ControlRef]] = {
    "bend": _message(lambda: Bend("bend", home=BEND_CENTRE)),
    "pressure": _message(lambda: Pressure("pressure", home=0)),
    "program": _message(lambda: Program("program")),
    "nrpn": _parameter,
    "rpn": _parameter,
    "sysex": _sysex,
}
_WORDS = f"{', '.join(list(_WAYS)[:-1])} or {list(_WAYS)[-1]}"


def _read_target(value: Any, read_control: Callable[[Any], ControlRef]) -> ControlRef:
    """A target as a rig has it: a control, or a mapping that says what else."""
    if not isinstance(value, dict):
        return read_control(value)
    for key in value:
        if key not in _WAYS and key != "close":
            near = get_close_matches(str(key), [*_WAYS, "close"], n=1)
            right = f"did you mean '{near[0]}'?" if near else f"write {_WORDS}"
            raise ValueError(f"'{key}' is no target; {right}")
    ways = [way for way in _WAYS if way in value]
    if len(ways) != 1:
        wrong = "no target stands here" if not ways else f"{' and '.join(ways)} are two targets"
        raise ValueError(f"{wrong}; write one of {_WORDS}")
    way = ways[0]
    target = _WAYS[way](way, value[way])
    if "close" not in value:
        return target
    if target.parameter is None:
        raise ValueError(f"'{way}' has nothing to close; take close out")
    if _is_true(value["close"]):
        return Closed(way, parameter=target.parameter)
    if value["close"] not in (False, "false"):
        raise ValueError(f"'{value['close']}' is neither; write close: true or close: false")
    return target


_TARGET_SCHEMA: dict[str, Any] = {
    SHOWN: "a control, {bend: true}, {pressure: true}, {program: true}, "
    "{nrpn: [coarse, fine]}, {rpn: [coarse, fine]} or {sysex: hex}",
    "anyOf": [
        {"type": "integer", "minimum": 0, "maximum": 119},
        {"type": "string"},
        {
            "type": "object",
            "additionalProperties": False,
            "properties": {
                **{way: {"const": True} for way in ("bend", "pressure", "program")},
                **{
                    way: {
                        "type": "array",
                        "items": {"type": "integer", "minimum": 0, "maximum": 127},
                        "minItems": 2,
                        "maxItems": 2,
                    }
                    for way in ("nrpn", "rpn")
                },
                "close": {"type": "boolean"},
                "sysex": {"type": "string"},
            },
        },
    ],
}

Target = Annotated[Control, WrapValidator(_read_target)]


def _one_or_many(value: object) -> object:
    return value if isinstance(value, list | tuple) else [value]


def _not_empty(targets: tuple[ControlRef, ...]) -> tuple[ControlRef, ...]:
    if not targets:
        raise ValueError("the list is empty; write at least one target")
    return targets


Targets = Annotated[
    tuple[Target, ...],
    BeforeValidator(_one_or_many),
    AfterValidator(_not_empty),
    WithJsonSchema(
        {
            "anyOf": [_TARGET_SCHEMA, {"type": "array", "items": _TARGET_SCHEMA, "minItems": 1}],
            SHOWN: f"{_TARGET_SCHEMA[SHOWN]}; or a list of such",
        }
    ),
]


class CcMapOptions(PluginOptions):
    """What cc_map can be told."""

    map: Annotated[
        dict[Control, Targets],
        Field(description="for each control that comes in, what it becomes: one, or a list"),
    ]

    def foresee(self, flow: Flow) -> list[Flow]:
        """What each control becomes."""
        targets = [refs for ref, refs in self.map.items() if ref.cc == flow.control is not None]
        if not targets:
            return [flow]
        channel = flow.channel or 0
        return [flow_of(m) for refs in targets for ref in refs for m in ref.messages(channel, 0)]

    def problems(self, context: Context) -> list[OptionProblem]:
        """No control may be mapped twice under two names."""
        return [
            OptionProblem(
                ("map", again.name),
                f"'{again.name}' is the same control as '{first.name}'; write one list for both",
            )
            for again, first in named_twice(self.map)
        ]


# ---- the plugin --------------------------------------------------------------------------------


MOST_KNOWN = 4096
"""So many made messages are kept: enough for two controls on every channel."""


class _Made(NamedTuple):
    """What a value becomes on a channel: the messages; the targets that have a home, and the value
    of each; the parameter that is selected in the synth then."""

    messages: tuple[bytes, ...]
    resting: tuple[tuple[ControlRef, int], ...]
    left: ControlRef | None


def _make(channel: int, targets: list[ControlRef], value: int, top: int) -> _Made:
    fitted = [(target, fit(value, top, target.top)) for target in targets]
    parameters = [target for target in targets if target.parameter is not None]
    return _Made(
        tuple(message for target, v in fitted for message in target.messages(channel, v)),
        tuple((target, v) for target, v in fitted if target.home is not None),
        _left_selected(parameters[-1]) if parameters else None,
    )


class CcMap(Plugin[CcMapOptions]):
    """Turns controls into other controls, bend, pressure, programs, NRPN, RPN or SysEx."""

    name = "cc_map"
    Options = CcMapOptions

    def __init__(self, options: CcMapOptions, host: Host) -> None:
        super().__init__(options, host)
        targets = [target for targets in options.map.values() for target in targets]
        sent = [target for target in targets if target.parameter is not None]
        # Given the parameters that we send too, the reader keeps track of what is selected.
        self._reader = ControlReader([*sent, *options.map])
        self._is_simple = not sent and all(ref.is_plain for ref in options.map)
        self._by_cc = {ref.cc: ref for ref in options.map if ref.cc is not None and ref.is_plain}
        if self._is_simple:
            self.only_controls = self._by_cc.keys()
        self._away: dict[tuple[int, ControlRef], int] = {}
        self._known: dict[tuple[str, int, int, bool], _Made] = {}

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Plain controls take a short way; SysEx concerns us only where it sets a control."""
        if kind is Kind.CONTROL:
            return self._plain if self._is_simple else self._any
        if kind is Kind.SYSEX and any(ref.sysex for ref in self.options.map):
            return self._sysex
        return None

    def _plain(self, data: bytes, t_ns: int) -> Emission:
        ref = self._by_cc.get(data[1])
        return data if ref is None else self._send(data[0] & 0x0F, ref, data[2])

    def _any(self, data: bytes, t_ns: int) -> Emission:
        """Send what stands in the map instead; of a mapped parameter no rest goes on either."""
        found = self._reader.control(data)
        channel = data[0] & 0x0F
        if found is None or found[0] not in self.options.map:
            return None if self._is_rest(channel, data[1]) else data
        ref, value = found
        return self._send(channel, ref, value, only_wide=data[1] == ref.fine)

    def _sysex(self, data: bytes, t_ns: int) -> Emission:
        found = self._reader.sysex(data)
        return data if found is None else self._send(found[0].channel, *found)

    def _is_rest(self, channel: int, number: int) -> bool:
        if number not in REST_OF_ENTRY:
            return False
        selected = self._reader.selected(channel)
        return any(ref.parameter == selected for ref in self.options.map)

    def _send(self, channel: int, ref: ControlRef, value: int, only_wide: bool = False) -> Emission:
        """The messages for a value; `only_wide`: its fine half says nothing to 7-bit targets."""
        key = (ref.name, channel, value, only_wide)
        made = self._known.get(key)
        if made is None:
            if len(self._known) == MOST_KNOWN:
                self._known.clear()
            targets = [t for t in self.options.map[ref] if not only_wide or t.top == ref.top]
            made = self._known[key] = _make(channel, targets, value, ref.top)
        for target, target_value in made.resting:
            if target_value == target.home:
                self._away.pop((channel, target), None)
            else:
                self._away[channel, target] = target_value
        if made.left is None:
            return made.messages[0] if len(made.messages) == 1 else made.messages
        return (*made.messages, *self._reader.reselect(channel, made.left))

    def flush(self, t_ns: int) -> Emission:
        """Centre the bend, lift the pressure, and home for every target that has one."""
        homes = self.homes()
        self._away.clear()
        return homes

    def inherit(self, former: Self, t_ns: int) -> None:
        """The stream has selected what it had, and has sent the coarse halves that it had."""
        read_on(self._reader, former._reader, self.options.map)

    def away(self) -> list[Away]:
        """The targets that have a home and are not there."""
        return [
            (channel, target.name, value, target.home or 0)
            for (channel, target), value in self._away.items()
        ]

    def homes(self) -> list[bytes]:
        """Centre, 0 or home for each of them."""
        homes: list[bytes] = []
        for channel, target in self._away:
            homes += target.messages(channel, target.home or 0)
            homes += self._reader.reselect(channel, _left_selected(target))
        return homes


def _left_selected(target: ControlRef) -> ControlRef:
    """The parameter that the synth has selected after a target's messages."""
    return NULL if isinstance(target, Closed) else target


NULL = ControlRef("null", parameter=NULL_PARAMETER)


def fit(value: int, top: int, target_top: int) -> int:
    """A value of 0 to `top` as one of 0 to `target_top`; either is 127 or 16383."""
    if top == target_top:
        return value
    return scale_up(value, 7, 14) if top < target_top else value >> 7


def scale_up(value: int, bits: int, target_bits: int) -> int:
    """Widen a value so that lowest, centre and highest stay what they are (M2-115-U, section 3).

    Up to the centre it is a shift; above, the low bits are repeated into the new ones.
    """
    widened = value << (target_bits - bits)
    if value <= 1 << (bits - 1):
        return widened
    repeated = bits - 1
    low = value & ((1 << repeated) - 1)
    shift = target_bits - bits - repeated
    rest = low << shift if shift >= 0 else low >> -shift
    while rest:
        widened |= rest
        rest >>= repeated
    return widened


@hookimpl
def pointsman_plugins() -> list[type[CcMap]]:
    """Offer cc_map."""
    return [CcMap]
