"""Why a synth is silent: faults planted as captures, and what the verdict names first."""

from __future__ import annotations

from pathlib import Path

import pytest

from pointsman.rig_file import load_rig
from pointsman.why.gathering import Case, gather
from pointsman.why.judging import Verdict, judge
from pointsman.why.showing import show
from silences import FAULTS, HEALTHY, Fault, of_messages, write_rig


def verdict_on(fault: Fault, folder: Path) -> Verdict:
    rig = load_rig(write_rig(folder, [fault]))
    before = [bytes.fromhex(text) for text in fault.before]
    return judge(gather(rig, "out1", Case(list(fault.played), before)))


@pytest.mark.parametrize("fault", [*of_messages(FAULTS), *HEALTHY], ids=lambda fault: fault.name)
def test_the_planted_fault_is_named_first(fault: Fault, tmp_path: Path) -> None:
    verdict = verdict_on(fault, tmp_path)
    print(show(verdict))
    assert verdict.first.kind == fault.verdict
