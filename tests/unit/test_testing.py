"""The helper with which plugins are tested: it must tell the truth."""

from __future__ import annotations

import pytest

from pointsman.plugin import Emission, Plugin
from pointsman.testing import ChainTest, log
from pointsman_plugins.cc_reset import CcReset
from pointsman_plugins.channel_remap import ChannelRemap


class Broken(Plugin):  # type: ignore[type-arg]
    """Fails at the first control."""

    name = "broken"

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        raise LookupError("no such thing")


def test_feed_advance_and_close_send_what_a_rig_would() -> None:
    chain = ChainTest((ChannelRemap, {"map": {1: 5}}), (CcReset, {"controls": {74: 64}}))
    chain.feed(0.0, "control 74 127", b"\x90\x3c\x64")
    chain.feed(0.5, "90 40 64")
    chain.close(1.0)
    assert chain.sent == log("""
        0    B4 4A 7F
        0    94 3C 64
        0.5  B4 4A 40   # home
        0.5  94 40 64
        1    84 3C 40
        1    84 40 40
    """)


def test_without_release_the_end_sends_nothing() -> None:
    chain = ChainTest(release=False)
    chain.feed(0.0, "90 3C 64")
    chain.close(1.0)
    assert chain.sent == log("0 90 3C 64")


def test_a_fault_is_told_and_the_message_goes_on() -> None:
    chain = ChainTest(Broken)
    chain.feed(0.0, "B0 07 01")
    assert chain.faults == ["LookupError: no such thing"]
    assert chain.sent == log("0 B0 07 01")


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"map": {1: "17"}}, "channel_remap: map.1[1]: '17' is out of range; write 1 to 16"),
        ({}, "channel_remap: map: 'map' is missing; add it"),
    ],
)
def test_wrong_options_are_refused(options: dict[str, object], text: str) -> None:
    with pytest.raises(ValueError) as caught:
        ChainTest((ChannelRemap, options))
    assert str(caught.value).startswith(text)


def test_half_a_message_is_refused() -> None:
    with pytest.raises(ValueError, match="not one whole MIDI message"):
        ChainTest().feed(0.0, b"\x90\x3c")
