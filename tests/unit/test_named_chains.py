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
