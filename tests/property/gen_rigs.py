"""Random rigs: chains of the six shipped plugins with random legal options.

A rig is drawn as the mapping that a rig file would hold; `building` makes of it the `Rig` that the
engine takes.
"""

from __future__ import annotations

from typing import Any

from building import DEVICE, Raw
from gen_input import CONTROLS
from hypothesis import strategies as st

KINDS = (
    "note", "control", "program", "bend", "channel_pressure", "key_pressure", "sysex", "clock",
    "transport", "song_position", "song_select", "tune_request", "time_code", "active_sensing",
    "system_reset",
)  # fmt: skip

players_channels = st.sampled_from((1, 1, 2, 2, 3, 10, 16))
values = st.integers(0, 127)
controls = st.sampled_from(CONTROLS)
pairs = st.lists(values, min_size=2, max_size=2)
different_pairs = st.lists(values, min_size=2, max_size=2, unique=True)
durations = st.sampled_from(
    ("0ms", "1ms", "20ms", "100ms", "2s", "1 clocks", "6 clocks", "1/64", "1/16", "1/8t", "1 bar")
)
pass_or_drop = st.sampled_from(("pass", "drop"))


def _options(required: Raw, optional: Raw | None = None) -> st.SearchStrategy[Raw]:
    return st.fixed_dictionaries(required, optional=optional or {})


def channel_remaps() -> st.SearchStrategy[Raw]:
    targets = st.one_of(players_channels, st.lists(players_channels, min_size=1, max_size=3))
    moves = st.dictionaries(players_channels, targets, max_size=3)
    return _options({"plugin": st.just("channel_remap"), "map": moves}, {"others": pass_or_drop})


def cc_scales(with_device: bool = False) -> st.SearchStrategy[Raw]:
    gammas = st.sampled_from((0.25, 1.0, 3.0))
    named = st.sampled_from(("winch", "pawl", "brake")) if with_device else controls
    narrow = _options(
        {"plugin": st.just("cc_scale"), "control": st.one_of(controls, named), "to": pairs},
        {"from": different_pairs, "gamma": gammas},
    )
    fine = st.lists(st.integers(0, 16383), min_size=2, max_size=2, unique=True)
    wide = _options(
        {"plugin": st.just("cc_scale"), "control": st.sampled_from((1, 7)), "to": fine},
        {"from": fine, "gamma": gammas},
    ).map(lambda raw: {**raw, "bits": 14})
    return st.one_of(narrow, wide)


def cc_resets(homes: st.SearchStrategy[Any] | None = None) -> st.SearchStrategy[Raw]:
    homes = homes if homes is not None else st.one_of(values, st.just("learn"))
    occasions = st.lists(
        st.sampled_from(("next_note", "note_off", "stop")), min_size=1, max_size=3, unique=True
    )
    return _options(
        {
            "plugin": st.just("cc_reset"),
            "controls": st.dictionaries(controls, homes, min_size=1, max_size=4),
        },
        {"after": durations, "when": occasions, "window": durations},
    )


def clock_filters() -> st.SearchStrategy[Raw]:
    return _options(
        {"plugin": st.just("clock_filter")},
        {"clock": pass_or_drop, "transport": pass_or_drop, "divide": st.integers(1, 7)},
    )


def note_limits(with_device: bool) -> st.SearchStrategy[Raw]:
    voices: st.SearchStrategy[Any] = st.integers(1, 4)
    if with_device:
        voices = st.one_of(voices, st.just("device"))
    steal = st.sampled_from(("oldest", "newest", "lowest", "highest", "quietest", "none"))
    return _options(
        {"plugin": st.just("note_limit"), "voices": voices},
        {"steal": steal, "scope": st.sampled_from(("channel", "output"))},
    )


def message_filters() -> st.SearchStrategy[Raw]:
    kinds = st.lists(st.sampled_from(KINDS), max_size=4, unique=True)
    return st.tuples(pass_or_drop, kinds).map(
        lambda drawn: {"plugin": "message_filter", drawn[0]: drawn[1]}
    )


def entries(with_device: bool = False) -> st.SearchStrategy[Raw]:
    """One entry of a chain, with or without `channels` and `bypass`."""
    plugins = st.one_of(
        channel_remaps(), cc_scales(with_device), cc_resets(), clock_filters(),
        note_limits(with_device), message_filters(),
    )  # fmt: skip
    if with_device:
        device_homes = cc_resets(st.just("device")).map(
            lambda raw: {**raw, "controls": {**dict.fromkeys(DEVICE.controls, "device"), 1: 100}}
        )
        plugins = st.one_of(plugins, device_homes)
    around = _options(
        {},
        {
            "channels": st.lists(players_channels, min_size=1, max_size=3),
            "bypass": st.sampled_from((False, False, True)),
        },
    )
    return st.tuples(plugins, around).map(lambda drawn: {**drawn[0], **drawn[1]})


def unconcerned_entries() -> st.SearchStrategy[Raw]:
    """Entries whom nothing concerns that `gen_input` draws, or who change nothing."""
    unused_control, unused_channel = 20, 7
    asleep: st.SearchStrategy[Raw] = st.sampled_from(
        ({"bypass": True}, {"channels": [unused_channel]})
    )
    return st.one_of(
        st.tuples(entries(), asleep).map(lambda drawn: {**drawn[0], **drawn[1]}),
        st.sampled_from(
            (
                {"plugin": "channel_remap", "map": {1: 1, unused_channel: 5}},
                {"plugin": "cc_scale", "control": 7, "to": [0, 127]},
                {"plugin": "cc_scale", "control": unused_control, "to": [127, 0]},
                {"plugin": "cc_reset", "controls": {unused_control: 0}, "after": "1 clocks"},
                {"plugin": "clock_filter"},
                {"plugin": "note_limit", "voices": 2048},
                {"plugin": "note_limit", "voices": 128, "steal": "none"},
                {"plugin": "message_filter", "drop": []},
                {"plugin": "message_filter", "pass": list(KINDS)},
            )
        ),
    )


ports = st.sampled_from(("null:", "virtual:quay"))
"""Outputs that name the second one share it."""


def chains(with_device: bool = False, max_size: int = 4) -> st.SearchStrategy[list[Raw]]:
    """A chain of random entries."""
    return st.lists(entries(with_device), max_size=max_size)


def outputs(delays: bool = True) -> st.SearchStrategy[Raw]:
    """One output with its chain."""

    def output(with_device: bool) -> st.SearchStrategy[Raw]:
        needed: Raw = {"port": ports, "chain": chains(with_device)}
        if with_device:
            needed["device"] = st.just("device.yaml")
        free: Raw = {"active_sensing": pass_or_drop}
        if delays:
            free["wire"] = st.sampled_from(("din", "free", 500))
            free["delay"] = st.sampled_from(("0ms", "3ms", "250ms"))
        return _options(needed, free)

    return st.booleans().flatmap(output)


def rigs(*, delays: bool = True, on_exit: str | None = None) -> st.SearchStrategy[Raw]:
    """A whole rig with one to three outputs. `on_exit`: this, or either."""
    choice = st.sampled_from(("release", "none"))
    safety = _options(
        {"on_exit": st.just(on_exit) if on_exit else choice},
        {"on_transport_stop": choice, "longest_note": st.sampled_from(("0s", "30ms", "3s"))},
    )
    return _options(
        {
            "input": _options({"port": st.just("null:"), "chain": chains(max_size=2)}),
            "outputs": st.lists(outputs(delays), min_size=1, max_size=3).map(
                lambda drawn: dict(zip(("tug", "gull", "buoy"), drawn, strict=False))
            ),
            "safety": safety,
        }
    )
