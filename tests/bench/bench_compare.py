"""What `render --compare` costs: finding the differences, beside the two renders.

    python tests/bench/bench_compare.py [--messages N]

`of two renders` is the processor time to match the outputs of both rigs, as a part of what it takes
to render them.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from material import mixes

from pointsman import load_rig
from pointsman.compare.matching import Sent, compare
from pointsman.compare.rigs import Keeper
from pointsman.io_tsv import TsvWriter
from pointsman.render import play_through, specs_of
from pointsman.tables import table

RIG = """
input: {{port: "null:"}}
outputs:
  tug:
    port: "null:"
    chain:
      - {{plugin: channel_remap, map: {{1: 5}}}}
{more}
  gull: {{port: "null:"}}
"""
CASES = {
    "the same rig": "",
    "another home": "      - {plugin: cc_reset, controls: {74: 60}}",
    "every note another": "      - {plugin: transpose, semitones: 3}",
    "every message later": "    wire: din",
}
BEFORE = {"another home": CASES["another home"].replace("60", "64")}

Streams = dict[str, list[Sent]]


def rendered(folder: Path, more: str, source: Path) -> Streams:
    """What the outputs of a rig are sent."""
    path = folder / "rig.yaml"
    path.write_text(RIG.format(more=more), "utf-8")
    rig = load_rig(path)
    keepers = {name: Keeper() for name in specs_of(rig)}
    play_through(rig, source, keepers)
    return {name: keeper.sent for name, keeper in keepers.items()}


def timed(call: Callable[[], object]) -> float:
    """The processor time that a call takes, in seconds."""
    begun_s = time.process_time()
    call()
    return time.process_time() - begun_s


def matched(before: Streams, after: Streams) -> None:
    """Find what differs, as the command does."""
    for name in before:
        compare(before[name], after[name])


def row(folder: Path, case: str, source: Path) -> tuple[object, ...]:
    """One case, measured."""
    first = BEFORE.get(case, "")
    begun_s = time.process_time()
    streams = [rendered(folder, more, source) for more in (first, CASES[case])]
    renders_s = time.process_time() - begun_s
    matching_s = timed(lambda: matched(*streams))
    found = [compare(streams[0][name], streams[1][name]) for name in streams[0]]
    return case, sum(len(each.differences) for each in found), f"{matching_s / renders_s:.0%}"


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--messages", type=int, default=100_000)
    wanted = parser.parse_args().messages
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "set.tsv"
        with TsvWriter(source) as writer:
            for data, t_ns in mixes(wanted)["realistic"]:
                writer.write(t_ns, data)
        rows = [row(folder, case, source) for case in CASES]
    print(f"{wanted} messages, two outputs\n")
    print(table(("what differs", "differences", "of two renders"), rows))


if __name__ == "__main__":
    main()
