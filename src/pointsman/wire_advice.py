"""Advice on wires: what the lfos and fan-outs of a rig will cost, as far as its text tells.

How this works. Two things are known before anybody plays: how many values what moves by itself
sends (`sends_per_second`), and into how many messages one that comes in is turned. Both are
followed through the chains as in `advice`, and every message that comes out at a wire counts with
its bytes. What is played besides is not known; so a wire should not be full without it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from pointsman.errors import Problem
from pointsman.flow import Flow
from pointsman.message import LENGTH_BY_STATUS, Kind
from pointsman.rig import EntrySpec, OutputSpec, Rig

MOST = 0.7
"""The part of a wire that what moves by itself may take: the rest is for what is played."""

TURNED_PER_S = 100
"""Values a second that a knob sends while it is turned by hand (common practice)."""

_SYSEX_BYTES = 8
"""A SysEx message that sets one control: about as long as that."""

_BYTES = {
    Kind.PROGRAM: LENGTH_BY_STATUS[0xC0],
    Kind.CHANNEL_PRESSURE: LENGTH_BY_STATUS[0xD0],
    Kind.SYSEX: _SYSEX_BYTES,
}
_OTHER_BYTES = 3

_Paced = tuple[Flow, float]
"""Messages of one kind, and how many of them in a second."""


def advise_wires(rig: Rig, named: Collection[int]) -> Iterator[Problem]:
    """A line for each wire that lfos and fan-outs may fill by more than 70 %.

    `named` are the numbers of the controls that the chains name.
    """
    for cable, rate in rig.wire_rates.items():
        outputs = [spec for spec in rig.outputs if spec.cable == cable]
        costs = {what: cost / rate for what, cost in _costs(rig, outputs, named).items()}
        total = sum(costs.values())
        first = next(spec for spec in outputs if spec.wire_rate is not None)
        if total > MOST and first.origin is not None:
            dearest = sorted(costs, key=lambda what: costs[what], reverse=True)[:3]
            parts = ", ".join(f"{what} {costs[what]:.0%}" for what in dearest)
            yield first.origin.problem(
                ("wire",),
                f"this wire can get {total:.0%} of what it carries before a note is played "
                f"({parts}); write a longer interval, add cc_thin, or use another cable",
            )


def advise_shared(rig: Rig) -> Iterator[Problem]:
    """A line for each port that the clock would reach through several outputs.

    Its synths would run at a multiple of the tempo.
    """
    for cable in dict.fromkeys(spec.cable for spec in rig.outputs):
        passing = [
            spec
            for spec in rig.outputs
            if spec.cable == cable
            and _through([(Flow(Kind.CLOCK), 1.0)], (*rig.input_chain, *spec.chain))
        ]
        for spec in passing[1:]:
            if spec.origin is not None:
                yield spec.origin.problem(
                    ("port",),
                    f"'{passing[0].name}' has the same port, and the clock goes through both: it "
                    "arrives twice; add {plugin: clock_filter, clock: drop, transport: drop} here",
                )


def _costs(rig: Rig, outputs: Sequence[OutputSpec], named: Collection[int]) -> dict[str, float]:
    """Bytes a second on one wire, and what causes them."""
    costs: dict[str, float] = {}
    for spec in outputs:
        chain = (*rig.input_chain, *spec.chain)
        for place, entry in enumerate(chain):
            per_second = 0.0 if entry.bypass else entry.options.sends_per_second()
            if per_second:
                what = f"{entry.label} in {entry.file}:{entry.line}"
                paced = [(flow, per_second) for flow in entry.options.adds()]
                costs[what] = costs.get(what, 0) + _bytes(_through(paced, chain[place + 1 :]))
    copies, cost = max(_fan_outs(rig, outputs, named), key=lambda found: found[1])
    if copies > 1:
        costs[f"one knob that becomes {copies} messages"] = cost
    return costs


def _fan_outs(
    rig: Rig, outputs: Sequence[OutputSpec], named: Collection[int]
) -> Iterator[tuple[int, float]]:
    """Into how many messages, and bytes a second, a knob of each channel is turned."""
    for channel in range(16):
        for number in (None, *named):
            knob = Flow(Kind.CONTROL, channel, number), float(TURNED_PER_S)
            left = [
                out for spec in outputs for out in _through([knob], (*rig.input_chain, *spec.chain))
            ]
            yield len(left), _bytes(left)


def _through(flows: Iterable[_Paced], chain: Sequence[EntrySpec]) -> list[_Paced]:
    """What leaves a chain; what cannot be foreseen is taken to pass."""
    left = list(flows)
    for entry in chain:
        if not entry.bypass:
            left = [out for flow in left for out in _becomes(*flow, entry)]
    return left


def _becomes(flow: Flow, per_second: float, entry: EntrySpec) -> list[_Paced]:
    options = entry.options
    if entry.channels is not None and flow.channel not in entry.channels:
        return [(flow, per_second)]
    becomes = options.foresee(flow)
    if becomes is None:
        becomes = [flow]
    elif options.picks_one:
        becomes = becomes[:1]
    return [(out, options.pace(out, per_second)) for out in becomes]


def _bytes(flows: Iterable[_Paced]) -> float:
    """Bytes a second."""
    return sum(_BYTES.get(flow.kind, _OTHER_BYTES) * per_second for flow, per_second in flows)
