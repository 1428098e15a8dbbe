"""How even a clock leaves that came in uneven, and how soon it follows another tempo.

    python tests/bench/bench_clock.py

Senders with several kinds of jitter play through an engine in virtual time: once through an empty
chain, as it comes, and once through `clock_filter`. The seeds are fixed and no clock is looked at,
so every run prints the same. Jitter is how far the distance of two successive clocks is from what
the sender's tempo makes it; lag is from where a clock belongs to where it leaves; latest is the
longest from coming in to leaving. Follows: from the so-manieth clock after a change of tempo on,
no distance is off by more than 1.5 ms.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import accumulate, pairwise
from random import Random
from typing import Any, NamedTuple

from pointsman.engine import Engine
from pointsman.message import CLOCK, START
from pointsman.options import Context
from pointsman.rig import EntrySpec, OutputSpec, Rig, Safety
from pointsman.tables import table
from pointsman.units import NS_PER_MS, NS_PER_S
from pointsman_plugins.clock_filter import ClockFilter

CLOCKS = 2000
CHANGE = 1000
"""The clock from which on another tempo begins."""

SETTLED = 48
"""So many clocks at the beginning are not counted: the estimate is young."""

RAMP_CLOCKS = 96
CLOSE_NS = 3 * NS_PER_MS // 2
TEMPO = 122.0
SMOOTH: Mapping[str, Any] = {"smooth": "4ms"}

Times = list[int]
"""When clocks belong, come in or leave, in nanoseconds."""

Event = tuple[bytes, int]
"""A message and its time in nanoseconds."""


# ---- what comes in -----------------------------------------------------------------------------


def _distances(tempo: Callable[[int], float]) -> Times:
    """Where clocks belong, at so many quarter notes a minute from one to the next."""
    steps = [round(60 * NS_PER_S / 24 / tempo(number)) for number in range(CLOCKS - 1)]
    return list(accumulate(steps, initial=NS_PER_S))


def _ramp(number: int) -> float:
    return TEMPO + 20 * min(max(number - CHANGE, 0) / RAMP_CLOCKS, 1)


TEMPOS: dict[str, Times] = {
    "one tempo": _distances(lambda number: TEMPO),
    "jump up by 20 %": _distances(lambda number: TEMPO * (1.2 if number >= CHANGE else 1)),
    "jump down by 20 %": _distances(lambda number: TEMPO * (0.8 if number >= CHANGE else 1)),
    "ramp up by 20 in a bar": _distances(_ramp),
}


def _frames(place_ns: int, number: int, random: Random) -> int:
    return -(-place_ns // NS_PER_MS) * NS_PER_MS


JITTER: dict[str, Callable[[int, int, Random], int]] = {
    "none": lambda place_ns, number, random: place_ns,
    "uniform, +-2 ms": lambda place_ns, number, random: (
        place_ns + round(random.uniform(-2, 2) * NS_PER_MS)
    ),
    "Gaussian, sd 0.7 ms": lambda place_ns, number, random: (
        place_ns + round(random.gauss(0, 0.7) * NS_PER_MS)
    ),
    "USB frames, 1 ms": _frames,
    "one clock 10 ms late": lambda place_ns, number, random: (
        place_ns + (10 * NS_PER_MS if number == 500 else 0)
    ),
}


def sender(jitter: str, belong: Times, seed: int = 1) -> Times:
    """When the clocks come in."""
    random = Random(seed)
    late = JITTER[jitter]
    return list(accumulate((late(t_ns, n, random) for n, t_ns in enumerate(belong)), max))


# ---- what leaves -------------------------------------------------------------------------------


def through(options: Mapping[str, Any] | None, events: Iterable[Event]) -> list[Event]:
    """What leaves an output with such a clock_filter (None: with an empty chain), and when.

    Where a message is empty, the engine is only told how late it is.
    """
    chain: tuple[EntrySpec, ...] = ()
    if options is not None:
        checked = ClockFilter.Options.model_validate(options, context=Context())
        chain = (EntrySpec(ClockFilter, checked, "clock_filter"),)
    left: list[Event] = []
    rig = Rig("bench", "null:", (OutputSpec("tug", "null:", chain),), safety=Safety(False))
    engine = Engine(rig, lambda output, data, t_ns: left.append((data, t_ns)))
    t_ns = 0
    for data, t_ns in events:
        if data:
            engine.receive(data, t_ns)
        else:
            engine.advance(t_ns)
    engine.advance(t_ns + NS_PER_S)
    return left


def play(options: Mapping[str, Any] | None, came: Times) -> Times:
    """When clocks leave that came at these times; Start comes before them."""
    events = [(START, 0), *((CLOCK, t_ns) for t_ns in came)]
    return [t_ns for data, t_ns in through(options, events) if data == CLOCK]


class Figures(NamedTuple):
    """Jitter at the median, the 99th percentile and the most; lag and latest; all in ms."""

    p50: float
    p99: float
    most: float
    lag: float
    latest: float


def _off(times: Times, belong: Times) -> Times:
    """How far each distance is from what it should be."""
    return [
        abs((b - a) - (d - c))
        for (a, b), (c, d) in zip(pairwise(times), pairwise(belong), strict=True)
    ]


def figures(left: Times, came: Times, belong: Times, first: int = SETTLED) -> Figures:
    """What a listener can measure, from the clock `first` on."""
    off = sorted(_off(left, belong)[first:])
    lags = [a - b for a, b in zip(left, belong, strict=True)][first:]
    latest = max(a - b for a, b in zip(left, came, strict=True))
    shares = (off[len(off) // 2], off[len(off) * 99 // 100], off[-1])
    return Figures(*(ns / NS_PER_MS for ns in (*shares, statistics.mean(lags), latest)))


def follows(left: Times, belong: Times) -> int | None:
    """From the so-manieth clock after the change on all is close; None: it never is."""
    far = [number for number, off in enumerate(_off(left, belong)) if off > CLOSE_NS]
    last = max((number + 1 - CHANGE for number in far if number >= CHANGE - 1), default=0)
    return last if last < CLOCKS - CHANGE - SETTLED else None


def multiplied(belong: Times, times: int) -> Times:
    """Where the clocks of a faster clock belong, up to the last one that came in."""
    return [a + n * (b - a) // times for a, b in pairwise(belong) for n in range(times)] + belong[
        -1:
    ]


# ---- what is printed ---------------------------------------------------------------------------


def _ms(values: Sequence[float]) -> tuple[str, ...]:
    return tuple(f"{value:.3f}" for value in values)


def evenness() -> str:
    """Each kind of jitter, as it comes and smoothed."""
    belong = TEMPOS["one tempo"]
    rows = []
    for jitter in JITTER:
        came = sender(jitter, belong)
        for name, options in (("as it comes", None), ("smooth: 4ms", SMOOTH)):
            rows.append((jitter, name, *_ms(figures(play(options, came), came, belong))))
    heads = ("jitter in", "chain", "p50, ms", "p99, ms", "most, ms", "lag, ms", "latest, ms")
    return table(heads, rows)


def changes() -> str:
    """How soon changes of tempo are followed, and how even the clock is from the change on."""
    rows = []
    until = CHANGE + RAMP_CLOCKS
    for change in list(TEMPOS)[1:]:
        belong = TEMPOS[change]
        for jitter in ("none", "uniform, +-2 ms", "USB frames, 1 ms"):
            came = sender(jitter, belong)
            for name, options in (("as it comes", None), ("smooth: 4ms", SMOOTH)):
                left = play(options, came)
                found = figures(left[:until], came[:until], belong[:until], CHANGE - 1)
                clocks = follows(left, belong)
                rows.append(
                    (change, jitter, name, "never" if clocks is None else str(clocks),
                     *_ms(found))
                )  # fmt: skip
    heads = (
        "change", "jitter in", "chain", "follows after", "p50, ms", "p99, ms", "most, ms",
        "lag, ms", "latest, ms",
    )  # fmt: skip
    return table(heads, rows)


def faster() -> str:
    """Multiplied clocks, plain and smoothed."""
    belong = TEMPOS["one tempo"]
    rows = []
    for jitter in JITTER:
        came = sender(jitter, belong)
        for options in ({"multiply": 2}, {"multiply": 4}, {"multiply": 2, **SMOOTH}):
            times = options["multiply"]
            left = play(options, came)[: (CLOCKS - 1) * times + 1]
            found = figures(left, multiplied(came, times), multiplied(belong, times))
            shown = ", ".join(f"{key}: {value}" for key, value in options.items())
            rows.append((jitter, shown, *_ms(found[:4])))
    return table(("jitter in", "chain", "p50, ms", "p99, ms", "most, ms", "lag, ms"), rows)


def main() -> None:
    """Print the three tables."""
    print(f"{CLOCKS} clocks at {TEMPO:g} quarter notes a minute; jitter is of distances\n")
    print(evenness(), changes(), faster(), sep="\n\n")


if __name__ == "__main__":
    main()
