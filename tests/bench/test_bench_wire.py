"""What a DIN wire must reach when it is offered three times what it can carry.

All of it is simulated: the figures are the same on every machine.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import bench_wire


def test_clock_notes_and_controls_at_three_times_what_the_wire_carries() -> None:
    events = bench_wire.material(3, seconds=4)
    sent = bench_wire.paced(events)
    assert bench_wire.lateness_ms(events, sent, notes=False)[-1] <= 0.96
    assert bench_wire.lateness_ms(events, sent, notes=True)[-1] <= 35
    assert bench_wire.at_notes(sent) == bench_wire.at_notes(events)
    asked, got = ({d[:2]: d for _, d in e if d[0] >> 4 == 0xB} for e in (events, sent))
    assert got == asked


def test_first_come_first_served_is_seconds_late_on_the_same() -> None:
    events = bench_wire.material(3, seconds=4)
    sent = bench_wire.in_turn(events)
    for notes in (True, False):
        assert bench_wire.lateness_ms(events, sent, notes=notes)[-1] > 1000


def test_the_bench_runs(capsys: pytest.CaptureFixture[str]) -> None:
    bench_wire.main(["--quick"])
    assert "Pointsman" in capsys.readouterr().out
