"""A rig made a little other, to see what becomes of the same messages then."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from pointsman.rig import EntrySpec, OutputSpec, Rig


def only(rig: Rig, output: str) -> Rig:
    """The rig without the outputs that have nothing to do with this one, in each of its songs."""
    songs = tuple((name, only(song, output)) for name, song in rig.songs.rigs)
    cables = {spec.cable for spec in rig.outputs if spec.name == output}
    outputs = tuple(spec for spec in rig.outputs if spec.cable in cables)
    return replace(rig, outputs=outputs, songs=replace(rig.songs, rigs=songs))


def unhindered(rig: Rig) -> Rig:
    """The rig on wires without limits, and without delays."""
    return _each_output(rig.unpaced(), lambda spec: replace(spec, delay_ns=0))


def put_in(rig: Rig) -> Rig:
    """The rig with every entry in that it bypasses."""
    changed = replace(rig, input_chain=_all_in(rig.input_chain))
    return _each_output(changed, lambda spec: replace(spec, chain=_all_in(spec.chain)))


def _all_in(chain: Iterable[EntrySpec]) -> tuple[EntrySpec, ...]:
    return tuple(replace(entry, bypass=False) for entry in chain)


def _each_output(rig: Rig, change: Callable[[OutputSpec], OutputSpec]) -> Rig:
    songs = tuple((name, _each_output(song, change)) for name, song in rig.songs.rigs)
    return replace(
        rig,
        outputs=tuple(change(spec) for spec in rig.outputs),
        songs=replace(rig.songs, rigs=songs),
    )
