"""Chains that are named once and used in several outputs, and files that bring them."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent

import pytest

from harness import play
from pointsman.errors import RigError
from pointsman.rig_file import load_rig


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(dedent(text), "utf-8")
    return folder / "rig.yaml"


def lines(rig: Path) -> list[str]:
    with pytest.raises(RigError) as caught:
        load_rig(rig)
    return [str(problem).replace(f"{rig.parent}/", "") for problem in caught.value.problems]


OUTPUTS = """
    input: {port: "null:"}
    outputs:
      tug: {port: "null:", chain: [{use: to_five}, {plugin: note_limit, voices: 1}]}
      gull: {port: "null:", chain: [{use: to_five}]}
"""


def test_a_named_chain_stands_in_every_output_that_uses_it_with_its_own_state(
    tmp_path: Path,
) -> None:
    rig = OUTPUTS + (
        "    chains:\n"
        "      to_five:\n"
        "        - {plugin: channel_remap, map: {1: 5}}\n"
        "        - {plugin: cc_reset, controls: {74: 64}}\n"
    )
    sent = play(tmp_path, rig, "0 B0 4A 7F\n0 90 3C 64\n1 90 40 64")
    common = [("0.000000", "B4 4A 7F"), ("0.000000", "94 3C 64"), ("1.000000", "B4 4A 40")]
    assert sent["gull"] == [*common, ("1.000000", "94 40 64"),
                            ("1.000000", "84 3C 40"), ("1.000000", "84 40 40")]  # fmt: skip
    assert sent["tug"][:5] == [*common, ("1.000000", "84 3C 40"), ("1.000000", "94 40 64")]


def test_an_included_file_brings_its_chains_and_those_of_the_files_it_includes(
    tmp_path: Path,
) -> None:
    rig = write(
        tmp_path,
        rig=OUTPUTS + "    include: quay.yaml\n",
        quay="include: [pier.yaml]\nchains: {to_five: [{use: really}]}\n",
        pier="chains: {really: [{plugin: channel_remap, map: {1: 5}}]}\ninclude: quay.yaml\n",
    )
    entry = load_rig(rig).outputs[0].chain[0]
    assert (entry.plugin.name, entry.file, entry.line) == ("channel_remap", "pier.yaml", 1)


def test_faults_point_into_the_file_where_they_are_and_come_once(tmp_path: Path) -> None:
    rig = write(
        tmp_path,
        rig=OUTPUTS + "    include: [quay.yaml, gone.yaml]\n",
        quay="""\
            chains:
              to_five:
                - plugin: channel_remap
                  map: {1: 50}
              idle: []
            chain: []
        """,
    )
    assert lines(rig) == [
        "rig.yaml:6:22: include[2]: 'gone.yaml' cannot be read: No such file or directory; "
        "its path is relative to this file",
        "quay.yaml:4:16: chains.to_five[1].map.1: '50' is out of range; write 1 to 16",
        "quay.yaml:6:1: chain: unknown key; did you mean 'chains'?",
    ]


def test_an_unknown_chain_gets_the_nearest_name(tmp_path: Path) -> None:
    rig = write(tmp_path, rig=OUTPUTS + "    chains: {to_fife: []}\n")
    assert lines(rig) == [
        "rig.yaml:4:38: outputs.tug.chain[1].use: unknown chain 'to_five'; did you mean 'to_fife'?",
        "rig.yaml:5:39: outputs.gull.chain[1].use: unknown chain 'to_five'; "
        "did you mean 'to_fife'?",
    ]


def test_a_chain_cannot_use_itself_even_by_a_detour(tmp_path: Path) -> None:
    rig = write(
        tmp_path, rig=OUTPUTS + "    chains: {to_five: [{use: other}], other: [{use: to_five}]}\n"
    )
    assert lines(rig) == [
        "rig.yaml:6:49: chains.other[1].use: a chain cannot use itself: "
        "to_five uses other uses to_five; take one out"
    ]


TOO_MANY = (
    "a chain has 256 entries at most, with those of chains it uses; "
    "leave this one and the following out"
)


def test_a_chain_has_so_many_entries_at_most(tmp_path: Path) -> None:
    """A message passes through all of them at once; each has its place on the stack."""
    guard = "          - {plugin: note_guard}\n"
    head = 'input: {port: "null:"}\noutputs:\n  tug:\n    port: "null:"\n    chain:\n'
    sent = play(tmp_path, head + 256 * guard, "0 90 3C 64\n1 80 3C 40")
    assert sent["tug"] == [("0.000000", "90 3C 64"), ("1.000000", "80 3C 40")]
    rig = write(tmp_path, rig=head + 258 * guard)
    assert lines(rig) == [f"rig.yaml:262:13: outputs.tug.chain[257]: {TOO_MANY}"]


def test_chains_that_use_chains_do_not_grow_without_end(tmp_path: Path) -> None:
    """Sixty names, each for twice the chain of the next: 2 to the power of 60 entries."""
    doubles = "".join(f"  c{n}: [{{use: c{n + 1}}}, {{use: c{n + 1}}}]\n" for n in range(60))
    chains = f"chains:\n{doubles}  c60: [{{plugin: note_guard}}]\n"
    outputs = "outputs:\n  tug: {port: 'null:', chain: [{use: c0}]}\n  gull: {port: 'null:'}\n"
    rig = write(tmp_path, rig=f"input: {{port: 'null:'}}\n{outputs}{chains}")
    assert [line.partition(": ")[2] for line in lines(rig)] == [f"chains.c51[2]: {TOO_MANY}"]


def test_a_name_can_be_given_only_once(tmp_path: Path) -> None:
    rig = write(
        tmp_path,
        rig=OUTPUTS + "    chains: {to_five: []}\n    include: quay.yaml\n",
        quay="chains: {to_five: []}\n",
    )
    assert lines(rig) == [
        "quay.yaml:1:10: chains.to_five: the chain 'to_five' is taken in rig.yaml; "
        "name this one otherwise"
    ]


def test_an_included_file_may_hold_chains_only(tmp_path: Path) -> None:
    rig = write(
        tmp_path,
        rig=OUTPUTS + "    include: quay.yaml\n",
        quay="chains: {to_five: []}\noutputs: {}\n",
    )
    assert lines(rig) == ["quay.yaml:2:1: outputs: unknown key; there is chains, include"]
