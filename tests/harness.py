"""Plays event logs through rigs for the tests: the real `render` command, `.tsv` in and out.

Events are written one a line, time and bytes parted by blanks, as in an event log:

    0.000  B0 4A 7F
    0.001  90 3C 64     # a comment

A *table* shows what goes in and what comes out in one: lines marked `-` only go in, lines marked
`+` only come out, all others go through as they are.

    0.000  B0 4A 7F
    + 0.5  B0 4A 1E
    0.500  90 3C 64
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from textwrap import dedent, indent

from pointsman.cli import main
from pointsman.errors import RigError
from pointsman.rig_file import load_rig

Events = list[tuple[str, str]]
"""Messages as event logs have them: seconds with six decimals, and upper-case hex."""

OUTPUT = "tug"
"""The name of the one output when only a chain is given."""

ONE_OF_EACH = """
    0.000  FA
    0.001  F8
    0.002  90 3C 64
    0.003  A0 3C 40
    0.004  B0 01 05
    0.005  B0 07 64
    0.006  C0 0B
    0.007  D0 30
    0.008  E0 01 41
    0.009  80 3C 21
    0.010  91 3C 64
    0.011  91 3C 00
    0.012  F0 7D 01 02 03 F7
    0.013  F1 25
    0.014  F3 07
    0.015  F6
    0.016  B0 79 00
    0.017  B0 7A 7F
    0.018  B0 7B 00
    0.019  FC
    0.020  F2 0A 00
    0.021  FB
"""
"""One message of each kind that an engine without plugins passes on (MIDI 1.0, Tables I to VI)."""


def events(text: str) -> Events:
    """Read events; times may be written short (`0.5`)."""
    found = []
    for line in text.splitlines():
        words = line.partition("#")[0].split()
        if words:
            found.append((f"{float(words[0]):.6f}", " ".join(words[1:])))
    return found


def clocks(first_s: float, period_ms: float, count: int) -> str:
    """So many clocks (F8), evenly spaced."""
    return "\n".join(f"{first_s + n * period_ms / 1000:.6f} F8" for n in range(count))


def merge(*logs: str) -> str:
    """Several logs as one, by time; at equal times what stands in an earlier log goes first."""
    lines = [line for log in logs for line in events(log)]
    return "\n".join(f"{t} {data}" for t, data in sorted(lines, key=lambda line: float(line[0])))


def rig_text(chain: str, *, device: bool = False, on_exit: str = "none") -> str:
    """A rig with one output, `tug`, that has this chain (the entries of a YAML list)."""
    chain = indent(dedent(chain).strip(), "      ")
    with_device = "    device: device.yaml\n" if device else ""
    return (
        f"input: {{port: 'null:'}}\nsafety: {{on_exit: {on_exit}}}\n"
        f"outputs:\n  {OUTPUT}:\n    port: 'null:'\n{with_device}    chain:\n{chain}\n"
    )


def play(
    folder: Path,
    rig: str,
    log: str,
    *,
    device: str | None = None,
    on_exit: str = "none",
    arguments: tuple[str, ...] = (),
) -> dict[str, Events]:
    """Render `log` through `rig` in `folder` (a tmp_path); what each output was sent, by name.

    `rig` is a whole rig, or only a chain, which then stands on the output `tug`. `device` is the
    text of a device file, `device.yaml`. With a chain, `on_exit` says whether the end releases.
    `arguments` go to `render` as well.
    """
    rig_path, out = _write(folder, rig, device, on_exit), folder / "rendered"
    log_path = folder / "log.tsv"
    log_path.write_text("".join(f"{t}\t{data}\n" for t, data in events(log)), "utf-8")
    code = main(["render", str(rig_path), str(log_path), "--out", str(out), *arguments])
    assert code == 0, "render failed; its line is in the captured stderr"
    return {path.stem: _read(path) for path in sorted(out.glob("*.tsv"))}


def play_chain(
    folder: Path, chain: str, log: str, *, device: str | None = None, on_exit: str = "none"
) -> Events:
    """What a chain makes of `log`: `play` for the one output `tug`."""
    return play(folder, chain, log, device=device, on_exit=on_exit)[OUTPUT]


def assert_plays(
    folder: Path, chain: str, table: str, *, device: str | None = None, on_exit: str = "none"
) -> None:
    """Play the lines of a table that go in through a chain, and see that the others come out."""
    heard = play_chain(folder, chain, _side(table, "-"), device=device, on_exit=on_exit)
    assert heard == events(_side(table, "+"))


def _side(table: str, mark: str) -> str:
    """The lines of a table that have this mark, or none, without it."""
    lines = [line.strip() for line in table.splitlines()]
    return "\n".join(line.lstrip("+-") for line in lines if line[:1] in (mark, *"0123456789#"))


def problems(folder: Path, rig: str, *, device: str | None = None) -> list[str]:
    """The error lines of a rig (or of a chain, as in `play`); paths without the folder."""
    try:
        load_rig(_write(folder, rig, device, "none"))
    except RigError as error:
        return [str(problem).replace(f"{folder}/", "") for problem in error.problems]
    return []


_LINE = re.compile(r"[^:]+:\d+:\d+: [^;]+: [^;]+; .+")


def says_what_is_right(lines: Sequence[str]) -> bool:
    """Whether each is `path:line:column: where in the file: what is wrong; what would be right`."""
    return bool(lines) and all(_LINE.fullmatch(line) for line in lines)


def _write(folder: Path, rig: str, device: str | None, on_exit: str) -> Path:
    rig = dedent(rig)
    if "outputs:" not in rig:
        rig = rig_text(rig, device=device is not None, on_exit=on_exit)
    files: Mapping[str, str | None] = {"rig.yaml": rig, "device.yaml": device}
    for name, text in files.items():
        if text is not None:
            (folder / name).write_text(dedent(text), "utf-8")
    return folder / "rig.yaml"


def _read(path: Path) -> Events:
    pairs = (line.split("\t") for line in path.read_text("utf-8").splitlines())
    return [(seconds, data) for seconds, data in pairs]
