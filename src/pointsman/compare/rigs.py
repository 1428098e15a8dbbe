"""Two rigs over one input: what each output would be sent, compared."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pointsman.compare.matching import Comparison, Difference, Sent, Sort, compare
from pointsman.device import Device
from pointsman.render import play_through, specs_of
from pointsman.rig import Rig
from pointsman.units import NS_PER_MS, NS_PER_S
from pointsman.words import describe, hex_text

_DIGITS = 6


class Keeper:
    """Keeps what leaves one output, as a sink of `play_through`."""

    def __init__(self) -> None:
        self.sent: list[Sent] = []

    def write(self, data: bytes, t_ns: int) -> None:
        """Keep one message."""
        self.sent.append((t_ns, data))

    def meta(self, tick: int | None, t_ns: int, data: bytes) -> None:
        """A tempo of the input is no message."""

    def close(self, t_ns: int) -> None:
        """There is nothing to close."""


@dataclass(frozen=True)
class Side:
    """One of the two rigs: how it was named, and how its messages are put into words."""

    path: Path
    rig: Rig

    def words(self, output: str, data: bytes) -> str:
        """A message in words, with the names of the device that this rig gives to the output."""
        spec = specs_of(self.rig).get(output)
        device: Device | None = spec.device if spec else None
        return describe(data, device, self.rig.middle_c_octave)


@dataclass(frozen=True)
class OutputComparison:
    """One output: what differs, and which of the two rigs has it if not both.

    `later_ns` is how much later everything comes with the rig after, by another `delay`; what is
    found to differ differs beside that.
    """

    output: str
    in_before: bool
    in_after: bool
    found: Comparison
    later_ns: int = 0

    @property
    def is_same(self) -> bool:
        """Whether it would be sent the same bytes at the same times."""
        return not (self.found.differences or self.later_ns)


@dataclass(frozen=True)
class RigComparison:
    """What is different with the rig `after`, output by output."""

    before: Side
    after: Side
    outputs: list[OutputComparison]

    @property
    def is_same(self) -> bool:
        """Whether every output would be sent the same bytes at the same times."""
        return all(
            output.is_same and output.in_before is output.in_after for output in self.outputs
        )

    def side(self, *, before: bool) -> Side:
        """One of the two."""
        return self.before if before else self.after

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return {
            "before": str(self.before.path),
            "after": str(self.after.path),
            "same": self.is_same,
            "outputs": [self._output(output) for output in self.outputs],
        }

    def _output(self, output: OutputComparison) -> dict[str, object]:
        found = output.found
        return {
            "output": output.output,
            "in_before": output.in_before,
            "in_after": output.in_after,
            "later_ms": output.later_ns / NS_PER_MS,
            "same": found.same,
            **{sort.value: found.count(sort) for sort in Sort},
            "furthest_ms": found.furthest_ns / NS_PER_MS,
            "differences": [self._difference(output.output, d) for d in found.differences],
        }

    def _difference(self, output: str, difference: Difference) -> dict[str, object]:
        sides = ((self.before, difference.before), (self.after, difference.after))
        before, after = (
            None
            if sent is None
            else {
                "t": round(sent[0] / NS_PER_S, _DIGITS),
                "data": hex_text(sent[1]),
                "words": side.words(output, sent[1]),
            }
            for side, sent in sides
        )
        return {"sort": difference.sort.value, "before": before, "after": after}


def compare_rigs(
    before: Rig,
    after: Rig,
    source: Path,
    *,
    clock: bool = True,
    tail_ns: int | None = None,
    names: tuple[Path, Path] | None = None,
) -> RigComparison:
    """Run both over a `.mid` or `.tsv` file; `clock` and `tail_ns` as for `render`.

    `names` are the paths as they were asked for. Raises InputFileError where the file is broken.
    """
    first, second = (_sent(rig, source, clock, tail_ns) for rig in (before, after))
    delays = [
        {name: spec.delay_ns for name, spec in specs_of(rig).items()} for rig in (before, after)
    ]
    outputs = []
    for name in dict.fromkeys((*first, *second)):
        in_both = name in first and name in second
        later_ns = delays[1][name] - delays[0][name] if in_both else 0
        there = [(t_ns - later_ns, data) for t_ns, data in second.get(name, [])]
        found = compare(first.get(name, []), there)
        outputs.append(OutputComparison(name, name in first, name in second, found, later_ns))
    paths = names or (before.path, after.path)
    return RigComparison(Side(paths[0], before), Side(paths[1], after), outputs)


def _sent(
    rig: Rig, source: Path, clock: bool, tail_ns: int | None
) -> dict[str, list[tuple[int, bytes]]]:
    keepers = {name: Keeper() for name in specs_of(rig)}
    play_through(rig, source, keepers, clock=clock, tail_ns=tail_ns)
    return {name: keeper.sent for name, keeper in keepers.items()}
