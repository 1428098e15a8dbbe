"""explain: what every entry of every chain does to messages, in order."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from pointsman.chain import Chain, Entry
from pointsman.control_refs import ControlRef
from pointsman.engine import Engine
from pointsman.errors import MessageTextError
from pointsman.message import CLOCK, key_of
from pointsman.plugin import Emission, messages_of
from pointsman.render import run_out
from pointsman.rig import Rig
from pointsman.units import parse_duration, seconds_text
from pointsman.words import Named, describe, hex_text, parse_messages

_WAIT = re.compile(r"wait\s+(.+)", re.IGNORECASE)


@dataclass
class Act:
    """What one entry did to one message; `given` is None where it acted of its own accord."""

    entry: Entry
    t_ns: int
    given: bytes | None
    made: list[bytes] | None


@dataclass
class Step:
    """One message, a wait, or the end, with all that came of it."""

    title: str
    key: int | None
    acts: dict[str | None, list[Act]] = field(default_factory=dict)
    sent: dict[str, list[tuple[int, bytes]]] = field(default_factory=dict)


class _Run:
    """A rig that messages go through, and what happened to each, step by step."""

    def __init__(self, rig: Rig) -> None:
        self.step = Step("opening", None)
        # What comes of a message is to stand beside it, and not where the wire has room for it.
        self.engine = Engine(rig.unpaced(), self._send, observe=self._observe)
        self.engine.start(0)

    def _observe(
        self, name: str | None, entry: Entry, data: bytes | None, t_ns: int, out: Emission
    ) -> None:
        made = None if out is None else list(messages_of(out))
        self.step.acts.setdefault(name, []).append(Act(entry, t_ns, data, made))

    def _send(self, output: str, data: bytes, t_ns: int) -> None:
        self.step.sent.setdefault(output, []).append((t_ns, data))

    def begin(self, title: str, data: bytes | None = None) -> Step:
        """From now on what happens belongs to a new step; returns the one before."""
        before = self.step
        self.step = Step(title, None if data is None else key_of(data))
        return before


def explain(rig: Rig, messages: Sequence[str]) -> list[Step]:
    """Run messages (hex or words) and waits ("wait 100ms") through a rig, and keep what happened.

    Raises MessageTextError for one that cannot be read.
    """
    named = named_controls(rig)
    parts = [_read(text, rig, named) for text in messages]
    run, steps = _Run(rig), []
    now_ns = 0
    for text, part in zip(messages, parts, strict=True):
        if isinstance(part, int):
            steps.append(run.begin(text))
            now_ns += part
            run.engine.advance(now_ns)
            continue
        for data in part:
            title = f"{hex_text(data)}  {describe(data, None, rig.middle_c_octave)}"
            steps.append(run.begin(title, data))
            run.engine.receive(data, now_ns)
    steps.append(run.begin(LATER))
    run_out(run.engine, now_ns, None)
    steps.append(run.step)
    return [step for step in steps if _tells(step)]


LATER = "later, of its own accord"


def explain_capture(rig: Rig, messages: Iterable[tuple[int, bytes]]) -> Iterator[Step]:
    """Run a capture through a rig; a step for each message, one for all clocks in a row.

    Nothing is kept, so a long capture takes no more memory than a short one.
    """
    run = _Run(rig)
    clocks: list[Step] = []
    now_ns = 0
    for now_ns, data in messages:
        run.begin(f"{seconds_text(now_ns)}  due by itself")
        run.engine.advance(now_ns)
        due = run.step
        words = describe(data, None, rig.middle_c_octave)
        run.begin(f"{seconds_text(now_ns)}  {hex_text(data)}  {words}", data)
        run.engine.receive(data, now_ns)
        if clocks and (data != CLOCK or _tells(due)):
            yield _clocks(clocks)
            clocks = []
        if _tells(due):
            yield due
        if data == CLOCK:
            clocks.append(run.step)
        else:
            yield run.step
    if clocks:
        yield _clocks(clocks)
    run.begin(LATER)
    run_out(run.engine, now_ns, None)
    if _tells(run.step):
        yield run.step


def _clocks(steps: Sequence[Step]) -> Step:
    """Clocks in a row, as one step that says how many left."""
    first = steps[0].title
    sent: dict[str, int] = {}
    for step in steps:
        for name, messages in step.sent.items():
            sent[name] = sent.get(name, 0) + len(messages)
    if len(steps) == 1:
        return steps[0]
    left = ", ".join(f"{count} to {name}" for name, count in sent.items()) or "none"
    return Step(f"{first}, {len(steps)} in a row; sent: {left}", None)


def _tells(step: Step) -> bool:
    return step.key is not None or bool(step.acts or step.sent)


def read_messages(rig: Rig, messages: Sequence[str]) -> list[tuple[int, bytes]]:
    """Messages and waits as a capture: each message with its time in nanoseconds.

    Raises MessageTextError for one that cannot be read.
    """
    named = named_controls(rig)
    now_ns = 0
    found = []
    for text in messages:
        part = _read(text, rig, named)
        if isinstance(part, int):
            now_ns += part
        else:
            found += [(now_ns, data) for data in part]
    return found


def named_controls(rig: Rig) -> dict[str, list[tuple[str, ControlRef]]]:
    """What the device files of a rig's outputs call their controls."""
    found: dict[str, list[tuple[str, ControlRef]]] = {}
    for spec in rig.outputs:
        for name, control in spec.device.controls.items() if spec.device else ():
            found.setdefault(name, []).append((spec.name, control))
    return found


def _read(text: str, rig: Rig, named: Named) -> list[bytes] | int:
    wait = _WAIT.fullmatch(text.strip())
    if wait is None:
        return parse_messages(text, rig.middle_c_octave, named)
    try:
        duration = parse_duration(wait[1])
    except ValueError as error:
        raise MessageTextError(f"'{text}': the wait {error}") from None
    if duration.clocks is not None:
        raise MessageTextError(f"'{text}': the wait must be in ms or s; send clock for the rest")
    return duration.ns


def show(rig: Rig, steps: Iterable[Step]) -> str:
    """The steps as text for a terminal."""
    return "\n".join(shown(rig, steps))[1:]


def shown(rig: Rig, steps: Iterable[Step]) -> Iterator[str]:
    """The lines of each step, with an empty one first, as one text."""
    engine = Engine(rig, lambda output, data, t_ns: None)
    for step in steps:
        yield "\n".join(_step(rig, engine, step))


def _step(rig: Rig, engine: Engine, step: Step) -> list[str]:
    lines = ["", step.title]
    if engine.input_chain.entries:
        lines.append("  input, before the split")
        lines += _entries(rig, engine.input_chain, None, step)
    for spec in rig.outputs:
        chain = engine.outputs[spec.name].chain
        if step.key is None and not (step.acts.get(spec.name) or step.sent.get(spec.name)):
            continue
        lines.append(f"  output {spec.name}")
        lines += _entries(rig, chain, spec.name, step)
        sent = step.sent.get(spec.name, [])
        for t_ns, data in sent:
            what = describe(data, spec.device, rig.middle_c_octave)
            lines.append(f"    sent at {seconds_text(t_ns)}  {hex_text(data)}  {what}")
        if not sent:
            lines.append("    sent nothing")
    return lines


def _entries(rig: Rig, chain: Chain, name: str | None, step: Step) -> list[str]:
    acts = step.acts.get(name, [])
    lines = []
    for entry in chain.entries:
        mine = [act for act in acts if act.entry.place == entry.place]
        for text in [_said(act) for act in mine] or [_silent(entry, chain, acts, step)]:
            if text:
                lines.append(f"    {entry.file}:{entry.line}  {entry.label}: {text}")
    return lines


def _silent(entry: Entry, chain: Chain, acts: Sequence[Act], step: Step) -> str:
    """Why an entry has nothing to say of a message."""
    if step.key is None:
        return ""
    if entry.bypass:
        return "bypassed"
    ended = [a for a in acts if a.made is None and a.entry.place < entry.place]
    return "nothing arrives here" if ended else "not concerned"


def _said(act: Act) -> str:
    if act.given is None:
        return f"sends {_list(act.made or [])}"
    if act.made is None or not act.made:
        return f"drops {hex_text(act.given)}"
    if act.made == [act.given]:
        return "lets it pass unchanged"
    if act.given in act.made:
        place = act.made.index(act.given)
        before, after = act.made[:place], act.made[place + 1 :]
        parts = [f"{_list(before)} first"] * bool(before) + [f"{_list(after)} after it"] * bool(
            after
        )
        return f"lets it pass, and sends {' and '.join(parts)}"
    return f"makes it {_list(act.made)}"


def _list(messages: Sequence[bytes]) -> str:
    return ", ".join(hex_text(message) for message in messages)


def as_data(steps: Iterable[Step]) -> list[dict[str, object]]:
    """The steps as plain data, for JSON."""
    return [step_data(step) for step in steps]


def step_data(step: Step) -> dict[str, object]:
    """One step as plain data."""
    return {
        "message": step.title,
        "outputs": {
            name: [{"at": seconds_text(t), "bytes": hex_text(data)} for t, data in sent]
            for name, sent in step.sent.items()
        },
        "entries": [
            {
                "output": name,
                "entry": act.entry.label,
                "line": act.entry.line,
                "given": None if act.given is None else hex_text(act.given),
                "made": None if act.made is None else [hex_text(m) for m in act.made],
            }
            for name, acts in step.acts.items()
            for act in acts
        ],
    }
