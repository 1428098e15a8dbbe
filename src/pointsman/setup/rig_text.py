"""The text of a rig, and of new device files, with comments that say why each part is there.

The chains are meant for a start: each synth gets what is played for it, on its channel, with no
more notes than it has voices, and no clock where it shall not have it.
"""

from __future__ import annotations

from collections.abc import Iterator
from shlex import quote

from pointsman.setup.plan import Plan, Synth
from pointsman.yaml_text import comment, quoted, scalar

_ABOUT_WIRE = {
    "din": "a MIDI cable: 3,125 bytes a second, and no more",
    "usb": "USB, straight into the synth",
    "free": "no limit",
}
_ONCE = "clock, transport, song_position, song_select, time_code, tune_request, sysex"
"""Kinds that have no channel: whoever is on a cable hears them, for whichever output they are."""


def rig_text(plan: Plan, shown: str) -> str:
    """The rig as YAML; `shown` is its path as a shell would take it."""
    return "\n".join([*_head(plan, shown), *_outputs(plan, shown), *_tail(), ""])


def device_text(synth: Synth, shown: str) -> str:
    """A new device file for a synth: what is known of it, and how the rest gets in."""
    assert synth.device is not None
    return "\n".join([*_device(synth, synth.device.name, shown), ""])


def _word(name: str) -> str:
    """A name as a shell would take it, for a command in a comment."""
    return comment(quote(name))


# ---- the rig -------------------------------------------------------------------------------------


def _head(plan: Plan, shown: str) -> Iterator[str]:
    yield f"# {comment(plan.name)}: what comes in goes to every output, through its own chain."
    yield "#"
    yield "# Made by pointsman init; it is yours to change. All that can be written here is in"
    yield f"# docs/rig-file.md. After each change: pointsman check {comment(shown)}"
    yield f"rig: {scalar(plan.name)}"
    yield "input:"
    yield f"  port: {quoted(plan.input_port)}{_until(plan.input_lasting)}"
    yield ""
    yield "outputs:"


def _until(lasting: bool) -> str:
    return "" if lasting else "   # so it is called until the next replug; see docs/ports.md"


def _outputs(plan: Plan, shown: str) -> Iterator[str]:
    for synth in plan.synths:
        yield f"  {scalar(synth.name)}:"
        yield f"    port: {quoted(synth.port)}{_until(synth.lasting)}"
        if synth.device is not None:
            yield f"    device: {scalar(synth.device.path)}   # what is known of the synth"
        if synth.wire is not None:
            about = _ABOUT_WIRE.get(str(synth.wire), "bytes a second")
            yield f"    wire: {synth.wire}   # {about}"
        yield "    chain:"
        for line in (*_clock(plan, synth), *_channel(synth, shown), *_voices(synth), *_home(synth)):
            yield f"      {line}" if line else ""
        yield ""


def _clock(plan: Plan, synth: Synth) -> Iterator[str]:
    """Clock and what else has no channel: from one output of a cable only, or from none."""
    cable = plan.on_cable_of(synth)
    first = cable[0]
    if synth is not first:
        yield f"# It is on the cable of {comment(first.name)}. What has no channel reaches both"
        yield "# from there; if it came from here too, the clock would run at twice the tempo."
        yield "- plugin: message_filter"
        yield f"  drop: [{_ONCE}]"
    elif not any(each.clock for each in cable):
        yield "# No clock, no Start: a synth that hears them may play an old pattern along."
        yield "- plugin: clock_filter"
        yield "  clock: drop"
        yield "  transport: drop"
    elif len(cable) > 1:
        others = ", ".join(comment(each.name) for each in cable[1:])
        yield f"# Clock, Start and Stop pass here, for {others} on the same cable as well."


def _channel(synth: Synth, shown: str) -> Iterator[str]:
    plays, hears = synth.plays, synth.hears
    if hears is None:
        yield f"# Which channel it hears is not known yet, so channel {plays} goes on as it comes."
        yield f"# pointsman find-channel {_word(synth.name)} --rig {comment(shown)} finds it out;"
        yield "# then write it behind the colon."
    elif hears == plays:
        yield f"# The sequencer plays it on channel {plays}, and that is what it hears."
    else:
        yield f"# The sequencer plays it on channel {plays}, and the synth hears channel {hears}."
    yield "# All other channels are for other synths."
    yield "- plugin: channel_remap"
    yield f"  map: {{{plays}: {synth.goes_to}}}"
    yield "  others: drop"


def _voices(synth: Synth) -> Iterator[str]:
    device = synth.device
    if synth.voices is None:
        if device is not None:
            yield "# Once its device file says how many voices it has:"
            yield "# - {plugin: note_limit, voices: device}"
        return
    many = "one voice" if synth.voices == 1 else f"{synth.voices} voices"
    yield f"# It has {many}: where that is too few, the oldest note gives way."
    yield "- plugin: note_limit"
    in_device = device is not None and (device.is_new or device.voices is not None)
    yield f"  voices: {'device' if in_device else synth.voices}"


def _home(synth: Synth) -> Iterator[str]:
    """A proposal, since not everybody bends controls for single steps."""
    names = synth.device.returning if synth.device else ()
    if names:
        yield "# To have what one step changes go home by itself on the next:"
        some = ", ".join(f"{scalar(name)}: device" for name in names[:4])
        yield f"# - {{plugin: cc_reset, controls: {{{some}}}}}"


def _tail() -> Iterator[str]:
    yield "safety:"
    yield "  on_exit: release             # when Pointsman ends: notes off, controls home"
    yield "  on_transport_stop: release   # the same at Stop, so that nothing hangs between songs"


# ---- a device file -------------------------------------------------------------------------------


def _device(synth: Synth, name: str, rig: str) -> Iterator[str]:
    output = _word(synth.name)
    yield "# What is known of this synth. All that can be said here is in docs/device-files.md."
    yield f"device: {scalar(name)}"
    if synth.hears is None:
        find = f"pointsman find-channel {output} --rig {comment(rig)}"
        yield f"# channel: 1   # not known yet; {find}"
    else:
        yield f"channel: {synth.hears}"
    if synth.voices is None:
        yield "# voices: 1    # how many notes it plays at once; not known yet"
    else:
        yield f"voices: {synth.voices}"
    yield "# Its controls by name. pointsman device import makes them of the chart in its manual;"
    yield f"# pointsman sweep {output} --rig {comment(rig)} finds them by ear. For example:"
    yield "# controls:"
    yield '#   cutoff: {cc: 74, home: 64, about: "low-pass corner"}'
