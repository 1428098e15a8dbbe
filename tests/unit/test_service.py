"""The running service: its loop against ports, a clock and a sleep of the test's own.

The last tests run `pointsman run` as a process, and send it real signals.
"""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from quay import (
    MS,
    NOTE_OFF,
    NOTE_ON,
    PATIENCE_S,
    Lines,
    Quay,
    QuayOutput,
    S,
    Sea,
    drain,
    rig_of,
    until,
)

from pointsman.cli import main
from pointsman.errors import PluginError, PortError
from pointsman.io_tsv import TsvWriter, read_tsv
from pointsman.live.run import Run, Wishes, run
from pointsman.live.service import SETTLE_EVERY
from pointsman.registry import Registry
from pointsman.render import render
from pointsman.rig import Rig

Make = Callable[..., tuple[Run, Lines]]


@pytest.fixture
def make(tmp_path: Path, quay: Quay) -> Make:
    """A service on the ports of `quay`, opened, for a rig whose ports are all `quay:` ones."""

    def make(rig: str | Rig, **clock: Any) -> tuple[Run, Lines]:
        rig = rig if isinstance(rig, Rig) else rig_of(tmp_path, rig)
        lines = Lines()
        running = Run(rig, Registry(ports={"quay": quay}), lines, Wishes(), **clock)
        running.open()
        return running, lines

    return make


PLAIN = "  tug: {port: 'null:'}"
RESET = """\
  tug:
    port: "null:"
    chain:
      - {plugin: cc_reset, controls: {74: 64}, after: 50ms, when: []}
"""


# ---- the loop ------------------------------------------------------------------------------------


def test_a_message_leaves_on_the_thread_that_it_came_on(make: Make, quay: Quay) -> None:
    running, _ = make(PLAIN)
    idents: list[int] = []

    def play() -> None:
        idents.append(threading.get_ident())
        quay.input.deliver(NOTE_ON)
        quay.input.deliver(NOTE_OFF)
        quay.input.ended(None)

    def wait(wake_fd: int, seconds: float) -> None:
        if not idents:
            player = threading.Thread(target=play)
            player.start()
            player.join(PATIENCE_S)

    running.service._wait = wait
    assert running.run() is None
    assert [data for _, data in quay.outputs["tug"].sent] == [NOTE_ON, NOTE_OFF]
    assert quay.outputs["tug"].threads == set(idents)
    assert idents != [threading.get_ident()]


def test_what_is_due_goes_out_when_it_is_due_and_the_main_thread_sleeps_till_then(
    make: Make, quay: Quay
) -> None:
    sea = Sea(quay, [(10 * MS, b"\xb0\x4a\x10")])
    running, _ = make(RESET, now_ns=sea.read, wait=sea.wait)
    running.run()
    assert quay.outputs["tug"].sent == [(10 * MS, b"\xb0\x4a\x10"), (60 * MS, b"\xb0\x4a\x40")]
    assert sea.slept == [1.0, 0.05, 0.05]  # nothing due; 50 ms to go; the end is told meanwhile


def test_a_message_is_sent_on_before_it_is_remembered(make: Make, quay: Quay) -> None:
    running, _ = make(PLAIN)
    running.service.start()
    [link] = running.links.outputs.values()
    fresh = []
    for number in range(2 * SETTLE_EVERY):
        running.service.deliver(bytes((0xB0, 74, number)))
        fresh.append(len(link.fresh))
    assert len(quay.outputs["tug"].sent) == len(fresh)
    assert fresh == [*range(1, SETTLE_EVERY), 0] * 2  # it waits, and never for long
    running.service.deliver(b"\xb0\x4a\x63")
    assert link.memory.value(0, 74) == 99  # who asks finds all of it


def test_times_count_from_the_beginning_of_the_run(make: Make, quay: Quay) -> None:
    sea = Sea(quay)
    sea.now_ns = 7 * S
    running, _ = make(PLAIN, now_ns=sea.read, wait=sea.wait)
    sea.now_ns = 9 * S
    sea._log = [(9 * S + 1, NOTE_ON), (9 * S + 2, NOTE_OFF)]
    running.run()
    assert quay.outputs["tug"].sent == [(1, NOTE_ON), (2, NOTE_OFF)]


def test_something_due_earlier_wakes_the_sleeper_and_something_later_does_not(
    make: Make, quay: Quay
) -> None:
    two = """\
      tug:
        port: "null:"
        chain:
          - {plugin: cc_reset, controls: {74: 64}, after: 500ms, when: []}
          - {plugin: cc_reset, controls: {75: 64}, after: 50ms, when: []}
    """
    now_ns = 0
    woken: list[bool] = []

    def wait(wake_fd: int, seconds: float) -> None:
        if woken:
            running.service.stop()
            return
        for data in (b"\xb0\x01\x10", b"\xb0\x4a\x10", b"\xb0\x4b\x10", b"\xb0\x4a\x11"):
            quay.input.deliver(data)
            woken.append(drain(wake_fd))

    running, _ = make(two, now_ns=lambda: now_ns, wait=wait)
    running.run()
    #                nothing due, 500 ms, 50 ms, again 500 ms
    assert woken == [False, True, True, False]


def test_the_real_sleep_ends_early_when_it_is_woken(make: Make, quay: Quay) -> None:
    """With the service's own clock and sleep; a sleep that is not woken lasts a second."""
    running, _ = make(RESET.replace("50ms", "1ms"))
    runner = threading.Thread(target=running.run)
    runner.start()
    until(lambda: hasattr(quay.input, "deliver"))
    quay.input.deliver(b"\xb0\x4a\x10")
    until(lambda: len(quay.outputs["tug"].sent) == 2)
    running.service.stop()
    runner.join(PATIENCE_S)
    assert not runner.is_alive()
    first, home = quay.outputs["tug"].sent
    assert home[1] == b"\xb0\x4a\x40"
    assert home[0] >= first[0] + MS  # never early


@pytest.mark.parametrize("end", ["stop", "end of the input"])
def test_an_end_wakes_the_sleeper(make: Make, quay: Quay, end: str) -> None:
    woken: list[bool] = []

    def wait(wake_fd: int, seconds: float) -> None:
        if end == "stop":
            running.service.stop()
        else:
            quay.input.ended(None)
        woken.append(drain(wake_fd))

    running, _ = make(PLAIN, wait=wait)
    running.run()
    assert woken == [True]


def test_nothing_is_taken_before_the_run_begins(make: Make, quay: Quay) -> None:
    running, lines = make(PLAIN)
    running.service.deliver(NOTE_ON)
    running.service.stop()
    running.run()
    assert (running.service.engine.received, lines.lines) == (0, [])


def test_a_stop_that_comes_before_the_run_begins_ends_it_at_once(make: Make, quay: Quay) -> None:
    running, _ = make(PLAIN)
    running.service.stop()
    assert running.run() is None
    assert (quay.input.closed, quay.outputs["tug"].closed) == (1, 1)


def test_stop_releases_and_what_comes_after_that_is_refused(make: Make, quay: Quay) -> None:
    rig = """\
      tug:
        port: "null:"
        chain: [{plugin: cc_reset, controls: {74: 64}}]
    """

    def wait(wake_fd: int, seconds: float) -> None:
        quay.input.deliver(NOTE_ON)
        quay.input.deliver(b"\xb0\x4a\x10")
        running.service.stop()

    running, lines = make(rig, now_ns=lambda: 0, wait=wait)
    quay.input.on_close = lambda: quay.input.deliver(b"\x90\x40\x64")  # it was on its way already
    running.run()
    assert (running.service.engine.received, lines.lines) == (2, [])
    sent = [data for _, data in quay.outputs["tug"].sent]
    assert sent == [NOTE_ON, b"\xb0\x4a\x10", NOTE_OFF, b"\xb0\x4a\x40"]
    assert (quay.input.closed, quay.outputs["tug"].closed) == (1, 1)


def test_a_signal_that_comes_when_the_run_is_over_does_no_harm(make: Make, tmp_path: Path) -> None:
    running, _ = make(PLAIN)
    running.service.stop()
    running.run()
    files = [(tmp_path / f"{n}").open("wb") for n in range(4)]  # take the numbers that are free
    running.service.stop()
    for file in files:
        file.close()
    assert [path.stat().st_size for path in tmp_path.glob("[0-9]")] == [0] * 4


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="counts files as Linux shows them")
def test_services_leave_no_file_open(make: Make) -> None:
    def run_one() -> None:
        running, _ = make(PLAIN)
        running.service.stop()
        running.run()

    run_one()
    gc.collect()
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(10):
        run_one()
    gc.collect()
    assert len(os.listdir("/proc/self/fd")) == before


def test_an_input_that_ends_ends_the_run_when_nothing_is_due_any_more(
    make: Make, quay: Quay
) -> None:
    sea = Sea(quay, [(0, b"\xb0\x4a\x10")])
    running, _ = make(RESET, now_ns=sea.read, wait=sea.wait)
    assert running.run() is None
    assert quay.outputs["tug"].sent[-1] == (50 * MS, b"\xb0\x4a\x40")


def test_what_an_output_delays_is_sent_before_the_run_ends(make: Make, quay: Quay) -> None:
    sea = Sea(quay, [(0, NOTE_ON), (MS, NOTE_OFF)])
    running, _ = make("  tug: {port: 'null:', delay: 30ms}", now_ns=sea.read, wait=sea.wait)
    running.run()
    assert quay.outputs["tug"].sent == [(30 * MS, NOTE_ON), (31 * MS, NOTE_OFF)]


def test_an_input_that_breaks_ends_the_run_with_its_line_after_the_release(
    make: Make, quay: Quay
) -> None:
    def wait(wake_fd: int, seconds: float) -> None:
        quay.input.deliver(NOTE_ON)
        quay.input.ended("the rope parted")

    running, _ = make(PLAIN, now_ns=lambda: 0, wait=wait)
    assert running.run() == "the rope parted"
    assert quay.outputs["tug"].sent == [(0, NOTE_ON), (0, NOTE_OFF)]


def test_two_threads_at_the_engine_lose_nothing_and_time_never_goes_down(
    make: Make, quay: Quay
) -> None:
    """The player's thread and the one that sends what is due, as fast as both can."""
    running, lines = make(RESET.replace("50ms", "1ms"))
    runner = threading.Thread(target=running.run)
    runner.start()
    until(lambda: hasattr(quay.input, "deliver"))
    for n in range(3000):
        quay.input.deliver(bytes((0xB0 | n % 16, 74, 1 + n % 60)))
    quay.input.ended(None)
    runner.join(PATIENCE_S)
    assert not runner.is_alive()
    sent = quay.outputs["tug"].sent
    assert [data for _, data in sent if data[2] != 64] == [
        bytes((0xB0 | n % 16, 74, 1 + n % 60)) for n in range(3000)
    ]
    assert [t_ns for t_ns, _ in sent] == sorted(t_ns for t_ns, _ in sent)
    last = {data[0]: data[2] for _, data in sent}
    assert set(last.values()) == {64}  # every control has gone home
    assert lines.lines == []


# ---- live equals offline -------------------------------------------------------------------------

HARBOUR = """\
  tug:
    port: "null:"
    opening: [{program: 12, channel: 5}]
    chain:
      - {plugin: channel_remap, map: {1: 5}, others: drop}
      - {plugin: cc_reset, controls: {74: 64, 71: learn}, after: 1/16, when: [next_note, stop]}
      - {plugin: note_limit, voices: 1}
  gull:
    port: "null:"
    delay: 7ms
    chain:
      - {plugin: clock_filter, divide: 2}
      - {plugin: cc_scale, control: 74, to: [100, 20]}
      - {plugin: cc_reset, controls: {74: 60}, after: 30ms, when: [note_off]}
      - {plugin: note_limit, voices: 2, steal: lowest}
  buoy:
    port: "null:"
    active_sensing: pass
    chain:
      - {plugin: cc_reset, controls: {74: 1}, after: 2500ms, when: []}
"""
SAFETY = "safety: {on_transport_stop: release, longest_note: 300ms}"


def harbour_log() -> Iterator[tuple[int, bytes]]:
    """Notes, controls and clock that wander in and out of step, with a rest of three seconds."""
    yield 0, b"\xfa"
    for n in range(240):
        t_ns = n * 11_363_637 + (3 * S if n > 120 else 0)
        if n % 2 == 0:
            yield t_ns, b"\xf8"
        if n % 5 == 0:
            yield t_ns, bytes((0xB0 | n % 2, 74, n * 7 % 128))
        if n % 6 == 0:
            yield t_ns, bytes((0xB0, 71, n % 128))
        if n % 7 in (0, 1, 2):
            yield t_ns, bytes((0x90 | n % 2, 40 + n % 12, 1 + n % 100))
        if n % 7 == 5:
            yield t_ns, bytes((0x80 | n % 2, 40 + (n - 4) % 12, 0))
        if n % 31 == 0:
            yield t_ns, b"\xfe"
    yield t_ns, b"\xfc"
    yield t_ns + 1, b"\xf0\x7d\x01\xf7"
    yield t_ns + 2, b"\xb0\x4a\x05"


def test_live_gives_the_same_bytes_at_the_same_times_as_render(
    tmp_path: Path, make: Make, quay: Quay
) -> None:
    log = list(harbour_log())
    rig = rig_of(tmp_path, HARBOUR, SAFETY)
    source = tmp_path / "log.tsv"
    source.write_text(
        "".join(f"{t // S}.{t % S:09}\t{data.hex(' ').upper()}\n" for t, data in log), "utf-8"
    )
    rows = render(rig, source, tmp_path / "offline")
    sea = Sea(quay, log)
    running, _ = make(rig, now_ns=sea.read, wait=sea.wait)
    running.run()
    (tmp_path / "live").mkdir()
    for row in rows:
        sent = quay.outputs[row.output].sent
        assert len(sent) == row.sent > 50
        live = tmp_path / "live" / f"{row.output}.tsv"
        with TsvWriter(live) as writer:
            for t_ns, data in sent:
                writer.write(t_ns, data)
        offline = (tmp_path / "offline" / f"{row.output}.tsv").read_text("utf-8")
        assert live.read_text("utf-8").splitlines() == offline.splitlines()
    assert running.service.engine.faults == []


# ---- what fails ----------------------------------------------------------------------------------

TWO = "  tug: {port: 'null:'}\n  gull: {port: 'null:'}"


def test_a_port_that_fails_is_counted_and_told_and_stops_nothing_else(
    make: Make, quay: Quay
) -> None:
    quay.outputs["tug"] = QuayOutput()
    quay.outputs["tug"].broken = PortError("port 'tug' refused a message: it sank")
    sea = Sea(quay, [(n * 400 * MS, b"\xf8") for n in range(6)])
    running, lines = make(TWO, now_ns=sea.read, wait=sea.wait)
    running.run()
    assert [t_ns for t_ns, _ in quay.outputs["gull"].sent] == [n * 400 * MS for n in range(6)]
    assert running.service.engine.faults == []
    told = [(event, facts) for event, facts in lines.lines if event == "messages lost"]
    why = "port 'tug' refused a message: it sank"
    assert {event for event, _ in lines.lines} == {"messages lost"}
    assert {(facts["output"], facts["why"]) for _, facts in told} == {("tug", why)}
    assert sum(facts["count"] for _, facts in told) == 6
    assert len(told) <= 3  # one a second, and one at the end


def test_any_error_of_a_port_is_told_with_its_kind(make: Make, quay: Quay) -> None:
    quay.outputs["tug"] = QuayOutput()
    quay.outputs["tug"].broken = ValueError("no such berth")
    sea = Sea(quay, [(0, b"\xf8")])
    running, lines = make(TWO, now_ns=sea.read, wait=sea.wait)
    running.run()
    facts = {"output": "tug", "count": 1, "why": "ValueError: no such berth"}
    assert lines.lines == [("messages lost", facts)]


def test_each_output_that_fails_is_told_by_name(make: Make, quay: Quay) -> None:
    for name in ("tug", "gull"):
        quay.outputs[name] = QuayOutput()
        quay.outputs[name].broken = OSError(5, "Input/output error")
    sea = Sea(quay, [(0, b"\xf8")])
    running, lines = make(TWO, now_ns=sea.read, wait=sea.wait)
    running.run()
    assert [facts["output"] for _, facts in lines.lines] == ["tug", "gull"]


def test_an_error_in_the_engine_stays_out_of_the_inputs_thread(
    make: Make, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The callback of the MIDI library would swallow it without a trace."""
    sea = Sea(quay, [(0, NOTE_ON), (1, NOTE_OFF)])
    running, lines = make(PLAIN, now_ns=sea.read, wait=sea.wait)

    def receive(data: bytes, t_ns: int) -> None:
        raise RuntimeError("fog")

    monkeypatch.setattr(running.service.engine, "receive", receive)
    assert running.run() is None
    facts = {"output": "any", "count": 2, "why": "RuntimeError: fog"}
    assert lines.lines == [("messages lost", facts)]


RAISES = """\
from pointsman.plugin import Plugin, hookimpl

class Leak(Plugin):
    name = "leak"

    def on_control(self, data, t_ns):
        raise RuntimeError("water in the hold")

@hookimpl
def pointsman_plugins():
    return [Leak]
"""


def test_a_plugin_that_raises_is_told_once_and_the_rest_plays_on(
    tmp_path: Path, make: Make, quay: Quay
) -> None:
    folder = tmp_path / "mine"
    folder.mkdir(mode=0o755)
    (folder / "leak.py").write_text(RAISES, "utf-8")
    outputs = "  tug: {port: 'null:', chain: [{plugin: leak}]}\n  gull: {port: 'null:'}"
    rig = rig_of(tmp_path, outputs, "plugins: {folders: [mine]}")
    sea = Sea(quay, [(n * S, bytes((0xB0, 74, n))) for n in range(5)])
    running, lines = make(rig, now_ns=sea.read, wait=sea.wait)
    running.run()
    why = (
        "output tug: plugin leak (line 3) failed and is bypassed from now on: "
        "RuntimeError: water in the hold"
    )
    assert lines.lines == [("plugin bypassed", {"why": why})]
    assert len(quay.outputs["tug"].sent) == len(quay.outputs["gull"].sent) == 5


def test_bytes_that_are_no_message_are_counted_and_dropped(make: Make, quay: Quay) -> None:
    sea = Sea(quay, [(0, b""), (0, b"\x90\x3c"), (0, b"\x3c\x64"), (0, b"\xf5"), (0, b"\xf8")])
    running, lines = make(PLAIN, now_ns=sea.read, wait=sea.wait)
    running.run()
    assert quay.outputs["tug"].sent == [(0, b"\xf8")]
    assert (running.service.engine.malformed, lines.lines) == (4, [])


def test_a_port_that_does_not_close_keeps_no_other_open(make: Make, quay: Quay) -> None:
    running, lines = make(TWO)
    quay.outputs["tug"].close_error = PortError("'tug.tsv' is not complete (disk full)")
    running.service.stop()
    assert running.run() == "'tug.tsv' is not complete (disk full)"
    assert quay.outputs["gull"].closed == 1
    facts = {"why": "'tug.tsv' is not complete (disk full)"}
    assert lines.lines == [("closing failed", facts)]


# ---- opening the ports ---------------------------------------------------------------------------


def test_two_outputs_that_name_one_port_share_it(tmp_path: Path, quay: Quay) -> None:
    rig = rig_of(tmp_path, "  tug: {port: 'null:'}\n  gull: {port: 'null:'}")
    rig = replace(rig, outputs=tuple(replace(spec, port="quay:cable") for spec in rig.outputs))
    running: Run = Run(
        rig,
        Registry(ports={"quay": quay}),
        Lines(),
        Wishes(),
        now_ns=lambda: 0,
        wait=lambda fd, s: running.service.stop(),
    )
    running.open()
    assert quay.opened == [">cable", "<stage"]  # outputs first, so that nothing is lost
    running.run()
    assert quay.outputs["cable"].closed == 1


def test_a_shared_port_gets_both_outputs_in_order(tmp_path: Path, quay: Quay) -> None:
    rig = rig_of(
        tmp_path,
        "  tug: {port: 'null:'}\n"
        "  gull: {port: 'null:', chain: [{plugin: channel_remap, map: {1: 2}}]}",
    )
    rig = replace(rig, outputs=tuple(replace(spec, port="quay:cable") for spec in rig.outputs))
    sea = Sea(quay, [(0, NOTE_ON), (MS, NOTE_OFF)])
    clock = {"now_ns": sea.read, "wait": sea.wait}
    running = Run(rig, Registry(ports={"quay": quay}), Lines(), Wishes(), **clock)
    running.open()
    running.run()
    assert quay.outputs["cable"].sent == [
        (0, NOTE_ON),
        (0, b"\x91\x3c\x64"),
        (MS, NOTE_OFF),
        (MS, b"\x81\x3c\x40"),
    ]


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (PortError("it is taken"), "it is taken"),
        (PermissionError(13, "Permission denied"), "Permission denied"),
        (RuntimeError("no berth"), "port 'gull' does not open: RuntimeError: no berth"),
    ],
    ids=["port error", "system error", "any error of a kind of port that a plugin brought"],
)
def test_a_port_that_does_not_open_closes_those_that_did(
    tmp_path: Path, quay: Quay, error: Exception, said: str
) -> None:
    quay.fails[">gull"] = error
    rig = rig_of(tmp_path, TWO)
    running = Run(rig, Registry(ports={"quay": quay}), Lines(), Wishes())
    with pytest.raises((PortError, OSError), match=said):
        running.open()
    assert quay.outputs["tug"].closed == 1
    assert quay.opened == [">tug", ">gull"]


WILL_NOT_START = RAISES.replace(
    "    def on_control",
    "    def __init__(self, options, host):\n        raise OSError('no crew')\n    def on_control",
)


def test_a_plugin_that_will_not_start_stops_the_run_before_a_port_opens(
    tmp_path: Path, quay: Quay
) -> None:
    folder = tmp_path / "mine"
    folder.mkdir(mode=0o755)
    (folder / "leak.py").write_text(WILL_NOT_START, "utf-8")
    outputs = "  tug: {port: 'null:', chain: [{plugin: leak}]}"
    rig = rig_of(tmp_path, outputs, "plugins: {folders: [mine]}")
    with pytest.raises(PluginError, match=r"line 3: plugin leak will not start: OSError: no crew"):
        run(rig, Registry(ports={"quay": quay}), Lines())
    assert quay.opened == []


def test_run_gives_the_signals_back(tmp_path: Path, quay: Quay) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    rig = rig_of(tmp_path, PLAIN)
    lines = Lines()

    def stop_soon() -> None:
        assert signal.getsignal(signal.SIGTERM) != before[1]
        os.kill(os.getpid(), signal.SIGTERM)

    assert run(rig, Registry(ports={"quay": quay}), lines, before_start=stop_soon) is None
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before
    assert [event for event, _ in lines.news] == ["ready", "ended"]
    assert lines.news[1][1] == {"received": 0, "malformed": 0, "sent": {"tug": 0}}


# ---- the command, on files -----------------------------------------------------------------------


def write_rig(folder: Path, source: str, output: str = "file:out.tsv", rest: str = "") -> Path:
    path = folder / "rig.yaml"
    path.write_text(
        f"input: {{port: '{source}'}}\noutputs:\n  tug:\n    port: '{output}'\n{rest}",
        "utf-8",
    )
    return path


def test_a_file_plays_in_real_time_into_a_file(tmp_path: Path) -> None:
    log = [(0, b"\xfa"), (20 * MS, NOTE_ON), (60 * MS, NOTE_OFF), (90 * MS, b"\xfc")]
    (tmp_path / "in.tsv").write_text(
        "".join(f"{t / S:.6f}\t{data.hex(' ').upper()}\n" for t, data in log), "utf-8"
    )
    assert main(["run", str(write_rig(tmp_path, "file:in.tsv"))]) == 0
    played = list(read_tsv(tmp_path / "out.tsv"))
    assert [data for _, data in played] == [data for _, data in log]
    for (due_ns, _), (t_ns, _) in zip(log, played, strict=True):
        assert t_ns >= due_ns  # never early; how late depends on the machine


def test_a_file_that_is_broken_further_on_plays_to_there_and_ends_with_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "in.tsv").write_text("0.000000\t90 3C 64\n0.001000\t90 3C\n", "utf-8")
    assert main(["run", str(write_rig(tmp_path, "file:in.tsv"))]) == 1
    line = (
        f"{tmp_path / 'in.tsv'}:2:10: '90 3C' is not one whole MIDI message; "
        "write for example 0.001000, a tab, 90 3C 64"
    )
    assert capsys.readouterr().err.splitlines()[-1] == line
    assert [data for _, data in read_tsv(tmp_path / "out.tsv")] == [NOTE_ON, NOTE_OFF]


def test_the_input_may_not_be_recorded_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "in.tsv").write_text("0.000000\tF8\n", "utf-8")
    assert main(["run", str(write_rig(tmp_path, "file:in.tsv", "file:./in.tsv"))]) == 3
    line = "output tug: the input plays this very file; record in another\n"
    assert capsys.readouterr().err == line
    assert (tmp_path / "in.tsv").read_text("utf-8") == "0.000000\tF8\n"


BEACON = """\
from pathlib import Path
from pointsman.plugin import Plugin, hookimpl

class Beacon(Plugin):
    '''Shows the test that the note has come so far.'''
    name = "beacon"

    def on_note_on(self, data, t_ns):
        Path("lit").touch()
        return data

@hookimpl
def pointsman_plugins():
    return [Beacon]
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda n: n.name)
def test_a_signal_releases_and_ends_with_0(tmp_path: Path, number: signal.Signals) -> None:
    (tmp_path / "beacon.py").write_text(BEACON, "utf-8")
    (tmp_path / "in.tsv").write_text(
        "0.000000\tB0 4A 7F\n0.000000\t90 3C 64\n3600.000000\t80 3C 40\n", "utf-8"
    )
    chain = "    chain: [{plugin: cc_reset, controls: {74: 64}}, {plugin: beacon}]\n"
    rig = write_rig(tmp_path, "file:in.tsv", rest=f"{chain}plugins: {{folders: [.]}}\n")
    command = [sys.executable, "-m", "pointsman.cli", "run", rig.name]
    process = subprocess.Popen(
        command, cwd=tmp_path, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
    )
    try:
        until((tmp_path / "lit").exists)
        process.send_signal(number)
        _, log = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, log
    recorded = [data for _, data in read_tsv(tmp_path / "out.tsv")]
    assert recorded == [b"\xb0\x4a\x7f", NOTE_ON, NOTE_OFF, b"\xb0\x4a\x40"]
    assert '"event": "ready"' in log
    assert '"event": "ended"' in log


def test_a_rig_of_files_loads_no_midi_library(tmp_path: Path) -> None:
    (tmp_path / "in.tsv").write_text("0.000000\tF8\n", "utf-8")
    rig = write_rig(tmp_path, "file:in.tsv")
    code = (
        "import sys; sys.modules['rtmidi'] = None; from pointsman.cli import main; "
        f"sys.exit(main(['run', {str(rig)!r}]))"
    )
    done = subprocess.run([sys.executable, "-c", code], timeout=PATIENCE_S, check=False)
    assert done.returncode == 0
    assert [data for _, data in read_tsv(tmp_path / "out.tsv")] == [b"\xf8"]
