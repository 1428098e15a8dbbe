"""What must hold for random chains of all shipped plugins, whatever the input."""

from __future__ import annotations

from building import Raw
from gen_all_plugins import chains_of_all
from gen_input import Event, inputs, let_go
from hypothesis import given
from listening import Listener

from pointsman.options import Context
from pointsman.registry import load_plugins
from pointsman.rig import EntrySpec, OutputSpec, Rig, Safety

PLUGINS = load_plugins().plugins
LATER_NS = 5_000_000_000
"""Long enough for all that these chains have waiting, an lfo aside."""


def spec(raw: Raw) -> EntrySpec:
    around = ("plugin", "channels", "bypass")
    plugin = PLUGINS[raw["plugin"]]
    options = plugin.Options.model_validate(
        {key: value for key, value in raw.items() if key not in around}, context=Context()
    )
    listed = raw.get("channels")
    channels = None if listed is None else frozenset(channel - 1 for channel in listed)
    return EntrySpec(plugin, options, raw["plugin"], 0, channels, raw.get("bypass", False))


def rig(chain: list[Raw], on_exit: bool) -> Rig:
    output = OutputSpec("tug", "null:", tuple(spec(raw) for raw in chain))
    return Rig("harbour", "null:", (output,), safety=Safety(on_exit=on_exit))


@given(chains_of_all, inputs(max_size=60))
def test_the_release_ends_every_note_and_no_plugin_fails(
    chain: list[Raw], events: list[Event]
) -> None:
    """What is sent is legal and never back in time, too: the listener sees to that."""
    listener = Listener(rig(chain, True), obeys=True)
    listener.play(events)
    listener.engine.close(events[-1][0] if events else 0)
    assert [str(fault) for fault in listener.engine.faults] == []
    assert listener.sounding == {}


@given(chains_of_all, inputs(max_size=60))
def test_when_the_input_has_let_go_nothing_sounds(chain: list[Raw], events: list[Event]) -> None:
    listener = Listener(rig(chain, False))
    played = let_go(events)
    listener.play(played)
    listener.engine.advance((played[-1][0] if played else 0) + LATER_NS)
    assert listener.sounding == {}
    assert [str(fault) for fault in listener.engine.faults] == []
