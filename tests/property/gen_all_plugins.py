"""Random chains of every shipped plugin: those of `gen_rigs`, and the twelve others."""

from __future__ import annotations

from typing import Any

from building import Raw
from gen_input import CONTROLS, KEYS
from gen_rigs import durations, entries, pairs, pass_or_drop, players_channels, values
from hypothesis import strategies as st

plain: st.SearchStrategy[Any] = st.sampled_from([c for c in CONTROLS if c in (1, 7, 74, 119)])
notes: st.SearchStrategy[Any] = st.sampled_from(KEYS)
intervals = st.sampled_from(("50ms", "200ms", "1/16", "6 clocks"))
seeds = st.integers(0, 3)


def _entry(name: str, required: Raw, optional: Raw | None = None) -> st.SearchStrategy[Raw]:
    return st.fixed_dictionaries({"plugin": st.just(name), **required}, optional=optional or {})


def _targets() -> st.SearchStrategy[object]:
    one = st.one_of(
        plain,
        st.sampled_from(({"bend": True}, {"pressure": True}, {"program": True})),
        st.sampled_from(({"nrpn": [1, 8], "close": True}, {"rpn": [0, 1]})),
        st.just({"sysex": "F0 7D 10 {value} F7"}),
    )
    return st.one_of(one, st.lists(one, min_size=1, max_size=3))


def _sounds() -> st.SearchStrategy[Any]:
    sound = st.fixed_dictionaries(
        {"note": notes, "channel": players_channels, "velocity": st.integers(1, 127)},
        optional={"controls": st.dictionaries(plain, values, min_size=1, max_size=3)},
    )
    return st.dictionaries(notes, sound, min_size=1, max_size=3)


others = st.one_of(
    st.tuples(notes, notes, st.sampled_from(("drop", "fold"))).map(
        lambda drawn: {"plugin": "note_range", "low": min(drawn[:2]), "high": max(drawn[:2]),
                       "outside": drawn[2]}
    ),
    _entry("transpose", {"semitones": st.integers(-30, 30)}),
    _entry("velocity", {"to": pairs}, {"gamma": st.sampled_from((0.5, 1.0, 2.0))}),
    _entry("velocity", {"fixed": st.integers(1, 127)}),
    _entry(
        "channel_select",
        {"control": plain, "from_channel": players_channels, "to": st.just("direct")},
        {"also": st.lists(
            st.sampled_from(("control", "bend", "channel_pressure", "key_pressure", "program")),
            max_size=3, unique=True,
        )},
    ),
    _entry("channel_select", {
        "control": plain, "from_channel": players_channels,
        "to": st.dictionaries(values, players_channels, min_size=1, max_size=4),
    }),
    _entry("drum_map", {"notes": _sounds()}, {
        "return": st.one_of(st.sampled_from(("note_off", "never")), intervals)
    }),
    _entry("lfo", {
        "control": plain, "channel": players_channels, "depth": values,
        "rate": st.sampled_from(("2Hz", "0.1Hz", "1/4", "300ms")),
        "center": st.one_of(values, st.just("follow")), "interval": intervals,
        "wave": st.sampled_from(("sine", "triangle", "ramp_up", "ramp_down", "square", "random")),
        "start": st.sampled_from(("free", "note", "once")),
        "run": st.sampled_from(("always", "transport")),
    }, {"phase": st.sampled_from((0.0, 0.25)), "seed": seeds}),
    _entry("bar_gate", {
        "play": st.lists(st.integers(1, 2), min_size=1, max_size=2, unique=True),
        "of": st.just(2), "meter": st.sampled_from(("4/4", "3/4", "1/8")),
        "chance": st.sampled_from((0.0, 0.5, 1.0)), "seed": seeds,
    }),
    _entry("cc_smooth", {"control": plain}, {
        "time": st.sampled_from(("40ms", "1/8")), "interval": st.sampled_from(("5ms", "20ms"))
    }),
    _entry("cc_thin", {}, {
        "per_second": st.sampled_from((5, 100, 1000)), "drop_repeats": st.booleans()
    }),
    _entry("note_guard", {}, {
        "longest": durations, "repeat": st.sampled_from(("retrigger", "pass")),
        "stray_off": pass_or_drop,
    }),
    _entry("cc_map", {"map": st.dictionaries(plain, _targets(), min_size=1, max_size=3)}),
    _entry("program_map", {"map": st.dictionaries(
        st.integers(1, 128), st.integers(1, 128), max_size=3
    )}, {"others": pass_or_drop}),
)  # fmt: skip

chains_of_all = st.lists(st.one_of(others, others, entries()), min_size=1, max_size=5)
"""Chains in which two entries of three are of the twelve."""
