"""explain: what every entry of every chain does to a few messages, in order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from pointsman.chain import Chain, Entry
from pointsman.engine import Engine
from pointsman.errors import MessageTextError
from pointsman.message import key_of
from pointsman.plugin import Emission
from pointsman.render import run_out
from pointsman.rig import Rig
from pointsman.units import parse_duration, seconds_text
from pointsman.words import describe, hex_text, parse_message

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


def explain(rig: Rig, messages: Sequence[str]) -> list[Step]:
    """Run messages (hex or words) and waits ("wait 100ms") through a rig, and keep what happened.

    Raises MessageTextError for one that cannot be read.
    """
    parts = [_read(text, rig.middle_c_octave) for text in messages]
    steps: list[Step] = [Step("opening", None)]

    def observe(name: str | None, entry: Entry, data: bytes | None, t_ns: int, out: object) -> None:
        steps[-1].acts.setdefault(name, []).append(Act(entry, t_ns, data, _made(out)))

    def send(output: str, data: bytes, t_ns: int) -> None:
        steps[-1].sent.setdefault(output, []).append((t_ns, data))

    # What comes of a message is to stand beside it, and not where the wire has room for it.
    engine = Engine(rig.unpaced(), send, observe=observe)
    engine.start(0)
    now_ns = 0
    for text, part in zip(messages, parts, strict=True):
        if isinstance(part, int):
            steps.append(Step(text, None))
            now_ns += part
            engine.advance(now_ns)
        else:
            title = f"{hex_text(part)}  {describe(part, None, rig.middle_c_octave)}"
            steps.append(Step(title, key_of(part)))
            engine.receive(part, now_ns)
    steps.append(Step("later, of its own accord", None))
    run_out(engine, now_ns, None)
    return [step for step in steps if step.key is not None or step.acts or step.sent]


def _read(text: str, middle_c_octave: int) -> bytes | int:
    wait = _WAIT.fullmatch(text.strip())
    if wait is None:
        return parse_message(text, middle_c_octave)
    try:
        duration = parse_duration(wait[1])
    except ValueError as error:
        raise MessageTextError(f"'{text}': the wait {error}") from None
    if duration.clocks is not None:
        raise MessageTextError(f"'{text}': the wait must be in ms or s; send clock for the rest")
    return duration.ns


def _made(out: Emission | object) -> list[bytes] | None:
    if out is None:
        return None
    return [out] if isinstance(out, bytes) else list(out)  # type: ignore[call-overload]


def show(rig: Rig, steps: Sequence[Step]) -> str:
    """The steps as text for a terminal."""
    lines: list[str] = []
    engine = Engine(rig, lambda output, data, t_ns: None)
    for step in steps:
        lines += ["", step.title]
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
    return "\n".join(lines[1:])


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


def as_data(steps: Sequence[Step]) -> list[dict[str, object]]:
    """The steps as plain data, for JSON."""
    return [
        {
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
        for step in steps
    ]
