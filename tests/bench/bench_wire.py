"""What a DIN wire makes of more than it can carry, beside one that sends first come, first served.

    python tests/bench/bench_wire.py            # a minute of playing for each load
    python tests/bench/bench_wire.py --quick    # two seconds, to see that it runs

A sequencer plays four tracks on one cable at 120 a minute, three with single notes and one with
chords of two, all at every sixteenth; before its notes each track turns two controls for this
step alone. There is clock, and on each track four controls that move by themselves, as fast as it
takes to offer the wire one, two, three and five times its 3,125 bytes a second. Both wires are
simulated and get the same messages at the same times, so it makes no difference to the table on
which machine it is printed.

late: from when a message is offered until its first byte begins. own values: notes that find the
controls of their channel as they were offered before the note. ends: controls whose last value
is the last one that was offered. behind: how long the wire goes on sending after the end.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from random import Random

from pointsman.engine import Engine
from pointsman.message import CLOCK, control_change, note_off, note_on
from pointsman.rig import OutputSpec, Rig, Safety
from pointsman.tables import table
from pointsman.units import NS_PER_MS, NS_PER_S

RATE = 3125
STEP_NS = 125 * NS_PER_MS
CLOCK_NS = NS_PER_S // 48
TRACKS = (2, 1, 1, 1)
"""How many notes each track plays at once, from channel 1 on."""

STEP_CONTROLS = (74, 71)
MOVING = (1, 10, 11, 91)

Event = tuple[int, bytes]
"""When in nanoseconds, and what."""


def material(load: float, seconds: int) -> list[Event]:
    """What is offered to the wire: `load` times what it carries."""
    random = Random(7)
    events = [(t_ns, CLOCK) for t_ns in range(0, seconds * NS_PER_S, CLOCK_NS)]
    for channel, voices in enumerate(TRACKS):
        events += _track(random, channel, voices, seconds)
    rest = load * RATE * seconds - sum(len(data) for _, data in events)
    movers = [(channel, number) for number in MOVING for channel in range(len(TRACKS))]
    values = int(rest / 3 / len(movers))
    for place, (channel, number) in enumerate(movers):
        for count in range(values):
            t_ns = (count * len(movers) + place) * seconds * NS_PER_S // (values * len(movers))
            events.append((t_ns, control_change(channel, number, random.randrange(128))))
    return sorted(events, key=lambda event: event[0])


def _track(random: Random, channel: int, voices: int, seconds: int) -> Iterator[Event]:
    held: list[int] = []
    for t_ns in range(0, seconds * NS_PER_S, STEP_NS):
        yield from ((t_ns, note_off(channel, note)) for note in held)
        for number in STEP_CONTROLS:
            yield t_ns, control_change(channel, number, random.randrange(128))
        held = random.sample(range(36, 84), voices)
        yield from ((t_ns, note_on(channel, note, 100)) for note in held)


# ---- the two wires -------------------------------------------------------------------------------


def in_turn(events: Iterable[Event]) -> list[Event]:
    """First come, first served."""
    sent, free_ns = [], 0
    for t_ns, data in events:
        begins_ns = max(t_ns, free_ns)
        free_ns = begins_ns + len(data) * NS_PER_S // RATE
        sent.append((begins_ns, data))
    return sent


def paced(events: Sequence[Event]) -> list[Event]:
    """The engine, with one output on a DIN wire and nothing in its chain."""
    sent: list[Event] = []
    spec = OutputSpec("tug", "null:", wire_rate=RATE)
    rig = Rig("quay", "null:", (spec,), safety=Safety(on_exit=False))
    engine = Engine(rig, lambda name, data, t_ns: sent.append((t_ns, data)))
    for t_ns, data in events:
        engine.receive(data, t_ns)
    engine.close(events[-1][0])
    return sent


# ---- how they did --------------------------------------------------------------------------------


def lateness_ms(events: Iterable[Event], sent: Iterable[Event], *, notes: bool) -> list[float]:
    """How late each note, or each clock, was, in rising order; each channel keeps its order."""
    asked, left = _by_channel(events, notes), _by_channel(sent, notes)
    assert {k: [d for _, d in v] for k, v in asked.items()} == {
        k: [d for _, d in v] for k, v in left.items()
    }, "none is lost, and none goes before another of its channel"
    pairs = (pair for channel in asked for pair in zip(asked[channel], left[channel], strict=True))
    return sorted((sent_ns - t_ns) / NS_PER_MS for (t_ns, _), (sent_ns, _) in pairs)


def _by_channel(events: Iterable[Event], notes: bool) -> dict[int, list[Event]]:
    found: dict[int, list[Event]] = defaultdict(list)
    for event in events:
        status = event[1][0]
        if (status & 0xE0 == 0x80) if notes else status == 0xF8:
            found[status & 0x0F].append(event)
    return found


def at_notes(events: Iterable[Event]) -> dict[int, list[dict[int, int]]]:
    """For each channel, what its controls were at each of its note-ons."""
    controls: dict[int, dict[int, int]] = defaultdict(dict)
    found: dict[int, list[dict[int, int]]] = defaultdict(list)
    for _, data in events:
        channel = data[0] & 0x0F
        if data[0] & 0xF0 == 0xB0:
            controls[channel][data[1]] = data[2]
        elif data[0] & 0xF0 == 0x90:
            found[channel].append(dict(controls[channel]))
    return found


def row(load: float, name: str, events: Sequence[Event], sent: Sequence[Event]) -> Sequence[object]:
    """One line of the table."""
    notes = lateness_ms(events, sent, notes=True)
    clocks = lateness_ms(events, sent, notes=False)
    asked, got = at_notes(events), at_notes(sent)
    own = sum(
        a == b for channel in asked for a, b in zip(asked[channel], got[channel], strict=True)
    )
    last, ends = ({d[:2]: d for _, d in e if d[0] & 0xF0 == 0xB0} for e in (events, sent))
    behind_ms = (sent[-1][0] - events[-1][0]) / NS_PER_MS
    return (
        f"{load:g}",
        name,
        len(events),
        len(sent),
        f"{clocks[-1]:.2f} ms",
        f"{notes[len(notes) // 2]:.2f} ms",
        f"{notes[len(notes) * 99 // 100]:.2f} ms",
        f"{notes[-1]:.2f} ms",
        f"{own / sum(map(len, asked.values())):.1%}",
        f"{sum(ends[key] == last[key] for key in last)} of {len(last)}",
        f"{behind_ms:.0f} ms",
    )


HEADS = (
    "times", "wire", "offered", "sent", "clock late", "notes p50", "p99", "worst", "own values",
    "ends", "behind",
)  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="A paced wire beside first come, first served.")
    parser.add_argument("--quick", action="store_true", help="two seconds, to see that it runs")
    seconds = 2 if parser.parse_args(arguments).quick else 60
    rows = []
    for load in (1, 2, 3, 5):
        events = material(load, seconds)
        rows.append(row(load, "in turn", events, in_turn(events)))
        rows.append(row(load, "Pointsman", events, paced(events)))
    print(f"One DIN wire, offered so many times what it carries, {seconds} s\n{table(HEADS, rows)}")


if __name__ == "__main__":
    main()
