"""The types with which a plugin declares its options.

Each is a pydantic field type that reads what a player writes, refuses the rest with a sentence
that says what would be right, and appears in the schema and in the reference pages. A plugin may
use any other pydantic type as well.

Text from a rig file arrives as it was written (`010` is not 8, `on` is not a boolean), so every
type here reads text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Annotated, Any, ClassVar, NamedTuple, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic.json_schema import GenerateJsonSchema
from pydantic_core import core_schema

from pointsman.control_refs import ControlRef
from pointsman.controls import CONTROL_BY_NAME, LAST_CONTROL
from pointsman.device import Device
from pointsman.flow import Flow
from pointsman.units import DURATION_EXAMPLES, NS_PER_MS, Duration, parse_duration, parse_note

T = TypeVar("T")

SHOWN = "x-takes"
"""In a schema: how the reference tells what an option takes."""


@dataclass(frozen=True)
class Context:
    """What an option may depend on beside its own text.

    `device_unread`: there is a device file, and it is faulty, so that names cannot be judged.
    """

    device: Device | None = None
    middle_c_octave: int = 4
    device_unread: bool = False


class OptionProblem(NamedTuple):
    """A fault that concerns several options at once; `place` leads to it: ("map", "3")."""

    place: tuple[str | int, ...]
    what: str


class PluginOptions(BaseModel):
    """The base of every plugin's options. Keys that it does not declare are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    moves_nothing: ClassVar[bool] = False
    """True: all that leaves came in, or could have: same kind, same channel, same number."""

    def problems(self, context: Context) -> list[OptionProblem]:
        """What is wrong with these options taken together; called once each is valid."""
        return []

    def foresee(self, flow: Flow) -> Sequence[Flow] | None:
        """What becomes of messages such as `flow`, so that `check` can warn of contradictions.

        What passes is returned as it is, whatever becomes of its values; nothing for what is
        dropped, and None for what cannot be told from here: then `check` says nothing of it.
        """
        return (flow,) if self.moves_nothing else None

    def adds(self) -> Sequence[Flow]:
        """What leaves that never came in, such as the control that an lfo moves."""
        return ()

    picks_one: ClassVar[bool] = False
    """True: a message becomes one of what `foresee` returns. False: it becomes all of them."""

    def sends_per_second(self) -> float:
        """How often in a second it sends what it `adds`, at most, without anything coming in.

        With `pace` it tells `check` what a rig costs its wires.
        """
        return 0.0

    def pace(self, flow: Flow, per_second: float) -> float:
        """How many messages such as `flow` pass in a second where so many come."""
        return per_second


def suggest(word: str, choices: list[str]) -> str:
    """A hint at the nearest of `choices`, or at all of them when none is near."""
    near = get_close_matches(word, choices, n=1)
    if near:
        return f"did you mean '{near[0]}'?"
    return f"there is {', '.join(choices)}" if choices else "there is none"


@dataclass(frozen=True)
class Whole:
    """A whole number from `low` to `high`, called `what` when it is not one; or one of `words`.

    Use it as `Annotated[int, Whole(1, 16)]`, or `Annotated[int | Literal["all"], Whole(...)]`.
    `top_shown` is how the highest is told where it depends on something else.
    """

    low: int
    high: int
    what: str = "a whole number"
    words: tuple[str, ...] = ()
    top_shown: str = ""

    def read(self, value: object) -> int | str:
        """The number or the word; ValueError says what would be right."""
        if value in self.words:
            return str(value)
        number = as_int(value)
        if number is None or not self.low <= number <= self.high:
            wrong = "out of range" if number is not None else f"not {self.what}"
            span = f"{self.low} to {self.top_shown or self.high}"
            choices = "".join(f", or {word}" for word in self.words)
            raise ValueError(f"{missing(value) or f'{value!r} is {wrong}'}; write {span}{choices}")
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        number: dict[str, Any] = {"type": "integer", "minimum": self.low, "maximum": self.high}
        if self.top_shown:
            number[SHOWN] = f"{self.low} to {self.top_shown}"
        return {"anyOf": [number, {"enum": list(self.words)}]} if self.words else number


def missing(value: object) -> str | None:
    """What to say of an option that has a key and no value; None where there is one."""
    return "nothing is written here" if value is None else None


def as_int(value: object) -> int | None:
    """The whole number that `value` is or spells, else None. `010` spells ten."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, str):
        text = value.strip()
        digits = text[1:] if text[:1] in "+-" else text
        return int(text) if digits.isdecimal() and digits.isascii() and len(digits) < 10 else None
    return None


def _one_or_many(value: object) -> object:
    return value if isinstance(value, list | tuple | set | frozenset) else [value]


def _none_empty(values: tuple[T, ...]) -> tuple[T, ...]:
    if not values:
        raise ValueError("the list is empty; write at least one")
    return values


def _read_duration(value: object) -> Duration:
    if isinstance(value, Duration):
        return value
    if value is None:
        raise ValueError(f"{missing(value)}; write for example {DURATION_EXAMPLES}")
    return parse_duration(str(value))


def _read_note(value: object, info: ValidationInfo) -> int:
    return parse_note(str(value), _context(info).middle_c_octave)


def _read_control(value: object, info: ValidationInfo) -> ControlRef:
    if isinstance(value, ControlRef):
        return value
    device = _context(info).device
    number = as_int(value)
    if number is not None:
        if 0 <= number <= LAST_CONTROL:
            return _by_number(str(value), number, device)
        what = "a channel mode message, not a control" if 120 <= number <= 127 else "no control"
        raise ValueError(f"'{value}' is {what}; write 0 to {LAST_CONTROL}, or a name")
    name = str(value)
    if device is not None and name in device.controls:
        return device.controls[name]
    if name in CONTROL_BY_NAME:
        return _by_number(name, CONTROL_BY_NAME[name], device)
    if _context(info).device_unread:
        return ControlRef(name, cc=0)
    names = [*(device.controls if device else ()), *CONTROL_BY_NAME]
    near = get_close_matches(name, names, n=1)
    right = "write 0 to 119, a name from the device file, or a MIDI name such as modulation"
    if near:
        right = f"did you mean '{near[0]}'?"
    wrong = missing(value) or f"'{name}' is no control"
    raise ValueError(f"{wrong}; {right}")


def _by_number(name: str, number: int, device: Device | None) -> ControlRef:
    """A plain control; home and range are those that the device gives to this number."""
    for known in device.controls.values() if device else ():
        if known.cc == number and known.is_plain:
            return replace(known, name=name)
    return ControlRef(name, cc=number)


def _context(info: ValidationInfo) -> Context:
    return info.context if isinstance(info.context, Context) else Context()


Channel = Annotated[int, Whole(1, 16, "a channel")]
"""A channel as players count, 1-16."""

Value = Annotated[int, Whole(0, 127, "a value")]
"""A value of a control, 0-127."""

Program = Annotated[int, Whole(1, 128, "a program")]
"""A program as players count, 1-128."""

_CHANNEL_SCHEMA = {"type": "integer", "minimum": 1, "maximum": 16}

Channels = Annotated[
    tuple[Channel, ...],
    BeforeValidator(_one_or_many),
    AfterValidator(_none_empty),
    WithJsonSchema({"anyOf": [_CHANNEL_SCHEMA, {"type": "array", "items": _CHANNEL_SCHEMA}]}),
]
"""One channel or a list of them; read as a tuple with at least one."""

Control = Annotated[
    ControlRef,
    BeforeValidator(_read_control),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 0, "maximum": LAST_CONTROL},
                {"type": "string", SHOWN: "a control's name"},
            ]
        }
    ),
]
"""A control, read as a `ControlRef`: a number 0-119, a name from the device file, or a MIDI 1.0
name. It may be one that the synth reaches by a 14-bit pair, NRPN, RPN or SysEx."""

NoteNumber = Annotated[
    int,
    BeforeValidator(_read_note),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 0, "maximum": 127},
                {"type": "string", SHOWN: "a note's name"},
            ]
        }
    ),
]
"""A note: a number 0-127 or a name such as C4."""

Time = Annotated[
    Duration,
    BeforeValidator(_read_duration),
    PlainSerializer(str),
    WithJsonSchema({"type": "string", SHOWN: "a duration"}),
]
"""A duration: 250ms, 2s, 6 clocks, 1/16, 1/8., 1/8t, 1 bar."""

SHORTEST_INTERVAL_NS = NS_PER_MS
"""What repeats, repeats no faster: one control change alone takes a MIDI cable 0.96 ms."""


def _long_enough(interval: Duration) -> Duration:
    if not interval.clocks and interval.ns < SHORTEST_INTERVAL_NS:
        raise ValueError(f"'{interval}' is too short; write 1ms or longer")
    return interval


Interval = Annotated[Time, AfterValidator(_long_enough)]
"""A duration after which something repeats: at least 1ms, or any number of clocks but 0.

Clocks can come fast, or all at once: hold what they make in nanoseconds against
`SHORTEST_INTERVAL_NS` as well.
"""


class OptionSchema(GenerateJsonSchema):
    """Makes JSON schemas of options: a duration that stands as a default is written as text."""

    def encode_default(self, dft: Any) -> Any:
        """The default as a rig would have it."""
        return str(dft) if isinstance(dft, Duration) else super().encode_default(dft)
