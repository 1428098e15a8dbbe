"""What is asked of a running rig: reload, songs, panic, bypass, signals, and its watchdog.

A real desk in its own process, on a real socket; only the ports are the test's own.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from desk_kit import Caller
from quay import (
    NOTE_OFF,
    NOTE_ON,
    PATIENCE_S,
    Lines,
    Playing,
    Quay,
    controlled,
    load,
    playing,
    until,
)

from pointsman.live import link
from pointsman.live.desk_link import DeskLink
from pointsman.live.run import Wishes, run
from pointsman.registry import Registry

CLOCK = b"\xf8"
CONTROL = b"\xb0\x4a\x10"

RIG = """\
rig: harbour
input: {port: "quay:stage"}
outputs:
  tug:
    port: "quay:tug"
    opening: [{program: 3, channel: 1}]
    chain: [{plugin: cc_reset, controls: {74: 64}, label: home}]
  gull: {port: "quay:gull"}
"""
PROGRAM = b"\xc0\x02"


class Stage:
    """A rig that plays, and a client of its control socket."""

    def __init__(self, run: Playing, caller: Caller, folder: Path) -> None:
        self.run = run
        self._caller = caller
        self._folder = folder

    def ask(self, do: str, **more: Any) -> dict[str, Any]:
        """Ask for something, and wait for the answer."""
        self._caller.say({"do": do, **more})
        return self._caller.hear()

    def hear(self) -> dict[str, Any]:
        """The next line of its own accord."""
        return self._caller.hear()

    def reload(self, text: str) -> dict[str, Any]:
        """Have the rig reloaded with this text."""
        (self._folder / "rig.yaml").write_text(text, "utf-8")
        return self.ask("reload")


@pytest.fixture
def open_stage(tmp_path: Path, quay: Quay) -> Iterator[Callable[..., Stage]]:
    """Plays a rig, and connects to it."""
    with ExitStack() as open_until_the_end:

        def play(text: str = RIG, **wishes: Any) -> Stage:
            control = open_until_the_end.enter_context(controlled(tmp_path))
            wished = Wishes(control=control, **wishes)
            run = open_until_the_end.enter_context(playing(load(tmp_path, text), quay, wished))
            caller = open_until_the_end.enter_context(closing(Caller(control.path)))
            return Stage(run, caller, tmp_path)

        yield play


@pytest.fixture
def stage(open_stage: Callable[..., Stage]) -> Stage:
    return open_stage()


# ---- reload --------------------------------------------------------------------------------------


def test_a_reload_keeps_opens_and_closes_ports(stage: Stage, quay: Quay) -> None:
    quay.play(NOTE_ON, CONTROL)
    tug, gull = quay.outputs["tug"], quay.outputs["gull"]
    changed = RIG.replace("gull", "barge").replace("program: 3", "program: 4")
    answer = stage.reload(changed)
    assert (answer["ok"], answer["rig"]) == (True, "harbour")
    assert quay.opened == [">tug", ">gull", "<stage", ">barge"]
    assert (gull.closed, gull.heard) == (1, [NOTE_ON, CONTROL, NOTE_OFF])
    assert (tug.closed, tug.heard) == (0, [PROGRAM, NOTE_ON, CONTROL, b"\xc0\x03"])
    quay.play(NOTE_OFF)
    assert tug.heard[-1] == NOTE_OFF
    assert stage.ask("status")["outputs"].keys() == {"tug", "barge"}
    (line,) = stage.run.lines.told("reloaded")
    assert line["rig"] == "harbour"


def test_a_reload_to_another_input_reads_from_that_one(stage: Stage, quay: Quay) -> None:
    old = quay.input
    quay.play(NOTE_ON)
    assert stage.reload(RIG.replace("quay:stage", "quay:bridge"))["ok"]
    stage.run.told("input opened")
    assert old.closed == 1
    quay.inputs["bridge"].deliver(CONTROL)
    heard = quay.outputs["gull"].heard
    assert heard == [NOTE_ON, NOTE_OFF, CONTROL]


def test_what_the_old_input_strikes_until_it_is_closed_does_not_hang(
    stage: Stage, quay: Quay
) -> None:
    """Its last message comes between the change of rigs and the change of ports."""
    old = quay.input
    old.on_close = lambda: old.deliver(NOTE_ON)
    assert stage.reload(RIG.replace("quay:stage", "quay:bridge"))["ok"]
    stage.run.told("input opened")
    assert quay.outputs["gull"].heard == [NOTE_ON, NOTE_OFF]


def test_a_reload_whose_ports_are_missing_changes_nothing(stage: Stage, quay: Quay) -> None:
    quay.gone = {">barge", "<bridge"}
    running = stage.run.running
    before = (dict(running.links.outputs), dict(quay.outputs))
    text = RIG.replace("gull", "barge").replace("stage", "bridge") + '  buoy: {port: "quay:buoy"}\n'
    answer = stage.reload(text)
    assert not answer["ok"]
    assert answer["problems"] == ["input: no quay 'bridge'", "output barge: no quay 'barge'"]
    assert (dict(running.links.outputs), dict(quay.outputs)) == before
    assert running.links._of.keys() == {id(running.service.engine.rig)}
    quay.play(NOTE_ON)
    assert quay.outputs["gull"].heard == [NOTE_ON]
    (told,) = stage.run.lines.told("not reloaded; the old rig plays on")
    assert told == {"why": "input: no quay 'bridge'", "more": 1}


def test_a_reload_whose_second_port_does_not_open_closes_the_first(
    stage: Stage, quay: Quay
) -> None:
    quay.fails[">barge"] = OSError(16, "Device or resource busy")
    more = '  buoy: {port: "quay:buoy"}\n  barge: {port: "quay:barge"}\n'
    answer = stage.reload(RIG + more)
    assert answer["problems"] == ["OSError: [Errno 16] Device or resource busy"]
    assert quay.outputs["buoy"].closed == 1
    assert stage.ask("status")["outputs"].keys() == {"tug", "gull"}
    del quay.fails[">barge"]
    assert stage.reload(RIG + more)["ok"]
    assert quay.opened[-2:] == [">buoy", ">barge"]


def test_a_reload_while_ports_are_away(stage: Stage, quay: Quay) -> None:
    """What the rig had already is waited for, and told when it is back what it has missed."""
    quay.play(NOTE_ON, CONTROL)
    quay.pull(">tug", "<stage")
    stage.run.told("output lost")
    stage.run.told("input lost")
    answer = stage.reload(RIG.replace("program: 3", "program: 4"))
    assert answer["ok"], answer
    assert {port["state"] for port in stage.ask("status")["outputs"].values()} == {"lost", "open"}
    quay.put(">tug", "<stage")
    stage.run.told("output is back")
    stage.run.told("input is back")
    until(lambda: len(quay.outputs["tug"].sent) == 3)
    assert quay.outputs["tug"].heard == [NOTE_OFF, b"\xc0\x03", b"\xb0\x4a\x40"]


def test_a_reload_that_drops_a_port_which_is_away_forgets_it(stage: Stage, quay: Quay) -> None:
    quay.pull(">gull")
    stage.run.told("output lost")
    assert stage.reload(RIG.replace("gull", "barge"))["ok"]
    quay.put(">gull")
    stage.run.turns(2)
    assert ">gull" not in quay.opened[3:]


def test_a_faulty_rig_is_refused_with_every_fault(stage: Stage, quay: Quay) -> None:
    answer = stage.reload(RIG.replace("cc_reset", "cc_rest").replace("program: 3", "program: 0"))
    assert (answer["ok"], len(answer["problems"])) == (False, 2)
    quay.play(CONTROL)
    assert quay.outputs["gull"].heard == [CONTROL]


# ---- songs ---------------------------------------------------------------------------------------

SONGS = RIG + "songs: {rigs: {storm: storm.yaml}, program_channel: 16}\n"
STORM = """\
input: {port: "quay:stage"}
outputs:
  tug: {port: "quay:tug"}
  barge: {port: "quay:barge", opening: [{program: 9, channel: 1}]}
"""
CHOOSE = b"\xcf\x00"


def test_a_song_has_ports_of_its_own(
    tmp_path: Path, open_stage: Callable[..., Stage], quay: Quay
) -> None:
    """They are opened at the start; one that is missing is opened when it comes."""
    (tmp_path / "storm.yaml").write_text(STORM, "utf-8")
    quay.gone = {">barge"}
    stage = open_stage(SONGS)
    assert quay.opened == [">tug", ">gull", "<stage"]
    quay.put(">barge")
    stage.run.told("output opened")
    assert quay.outputs["barge"].heard == []
    quay.play(NOTE_ON, CHOOSE, CONTROL)
    assert quay.outputs["gull"].heard == [NOTE_ON, NOTE_OFF]
    assert quay.outputs["tug"].heard == [PROGRAM, NOTE_ON, CONTROL]
    assert quay.outputs["barge"].heard == [b"\xc0\x08", CONTROL]
    answer = stage.ask("status")
    assert (answer["song"], answer["songs"]) == ("storm", ["storm"])
    assert stage.ask("song", song=0) == {"ok": True, "song": 0, "at": "now"}
    assert stage.ask("song", song="strom")["error"] == (
        "there is no song 'strom'; did you mean 'storm'?"
    )
    assert quay.outputs["gull"].closed == 0
    quay.pull(">barge")  # not in the song that plays, and yet told what it was when it is back
    stage.run.told("output lost")
    quay.put(">barge")
    stage.run.told("output is back")
    until(lambda: quay.outputs["barge"].heard == [b"\xc0\x08", CONTROL])


def test_a_song_with_another_input_is_read_from_that_one(
    tmp_path: Path, open_stage: Callable[..., Stage], quay: Quay
) -> None:
    (tmp_path / "storm.yaml").write_text(STORM.replace("stage", "bridge"), "utf-8")
    stage = open_stage(SONGS)
    quay.play(CHOOSE)
    stage.run.told("input opened")
    quay.inputs["bridge"].deliver(NOTE_ON)
    assert quay.outputs["tug"].heard == [PROGRAM, NOTE_ON]
    assert stage.ask("status")["input"]["found"] == "bridge"
    assert stage.ask("song", song="0")["ok"]
    stage.run.told("input opened", 2)
    assert stage.ask("status")["input"]["found"] == "stage"


# ---- panic, bypass -------------------------------------------------------------------------------


def test_what_each_control_was_sent_last_is_told_by_the_socket(stage: Stage, quay: Quay) -> None:
    for data in ("B0 4A 10", "B2 07 64", "B0 4A 11", "B0 00 01", "B0 7B 00"):
        quay.play(bytes.fromhex(data))
    answer = stage.ask("sent", output="gull")
    assert {*answer["messages"]} == {"B0 4A 11", "B2 07 64", "B0 00 01"}
    assert stage.ask("sent", output="tgu")["error"] == (
        "there is no output 'tgu'; did you mean 'tug'?"
    )


def test_panic_and_bypass_by_the_socket(stage: Stage, quay: Quay) -> None:
    quay.play(NOTE_ON, CONTROL)
    assert stage.ask("panic") == {"ok": True}
    silence = [NOTE_OFF, b"\xb0\x7b\x00", b"\xb0\x78\x00"]
    pedals = [b"\xb0\x40\x00", b"\xb0\x42\x00", b"\xb0\x43\x00"]
    heard = quay.outputs["tug"].heard
    assert heard == [PROGRAM, NOTE_ON, CONTROL, *silence, b"\xb0\x4a\x40", *pedals]
    assert stage.run.told("panic") == [{"what": "everything was silenced"}]
    quay.play(CONTROL)
    assert stage.ask("bypass", output="tug", entry="home", on=True) == {
        "ok": True,
        "entry": "home",
        "bypass": True,
    }
    assert quay.outputs["tug"].heard[-2:] == [CONTROL, b"\xb0\x4a\x40"]
    (entry,) = stage.ask("status")["outputs"]["tug"]["entries"]
    assert entry["bypass"] is True
    answer = stage.ask("bypass", output="tgu", entry=1, on=True)
    assert answer["error"] == "there is no output 'tgu'; did you mean 'tug'?"
    assert stage.ask("bypass", output="tug", entry=2, on=True)["wrong"]


# ---- events --------------------------------------------------------------------------------------


def test_events_come_with_what_each_entry_did_or_without(
    open_stage: Callable[..., Stage], quay: Quay
) -> None:
    remap = "{plugin: channel_remap, map: {1: 5}}"
    stage = open_stage(RIG.replace("chain: [", f"chain: [{remap}, "))
    for did in (False, True, False):
        assert stage.ask("tap", did=did) == {"ok": True}
        stage.ask("status")  # by its answer the service has heard of it
        quay.play(NOTE_ON)
        event = stage.hear()
        assert (event["in"], event["out"]["gull"]) == ("90 3C 64", ["90 3C 64"])
        assert event["out"]["tug"] == ["94 3C 64"]
        acts = [(act["output"], act["made"]) for act in event["did"]]
        assert acts == ([("tug", ["94 3C 64"])] if did else [])


# ---- a desk in trouble ---------------------------------------------------------------------------


def test_a_desk_that_ends_is_started_again_and_the_ports_are_looked_after(
    stage: Stage, quay: Quay, tmp_path: Path
) -> None:
    desk = stage.run.running._desk
    assert desk is not None
    os.kill(desk.pid, signal.SIGKILL)
    stage.run.told("the desk has ended")
    caller = Caller(tmp_path / "c" / "control.sock")
    caller.say({"do": "panic"})
    assert caller.hear() == {"ok": True}
    caller.close()


def test_a_desk_that_never_lasts_is_started_ever_more_seldom(
    open_stage: Callable[..., Stage], quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    ends_at_once = (sys.executable, "-S", "-c", "")
    monkeypatch.setattr("pointsman.live.run.DeskLink", partial(DeskLink, command=ends_at_once))
    stage = open_stage()
    stage.run.told("the desk has ended", 2)
    begun = time.process_time()
    stage.run.turns(8)  # about two seconds
    assert time.process_time() - begun < 1.0  # it does not turn round and round meanwhile
    assert len(stage.run.lines.told("the desk has ended")) <= 3
    quay.pull(">tug")
    stage.run.told("output lost")


def test_a_desk_that_cannot_be_started_does_not_stop_the_music(
    open_stage: Callable[..., Stage], quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    nowhere = partial(DeskLink, command=("/nowhere/desk",))
    monkeypatch.setattr("pointsman.live.run.DeskLink", nowhere)
    stage = open_stage()
    (line,) = stage.run.lines.told("no control socket")
    assert line["why"].startswith("its process does not start: FileNotFoundError: ")
    quay.play(NOTE_ON)
    assert quay.outputs["gull"].heard == [NOTE_ON]
    stage.run.running.steward.ask_reload()
    (line,) = stage.run.told("not reloaded; the old rig plays on")
    assert "no control socket" in line["why"]


# ---- signals, systemd ----------------------------------------------------------------------------


def test_sighup_reloads_and_sigterm_ends(tmp_path: Path, quay: Quay) -> None:
    rig = load(tmp_path, RIG)
    lines = Lines()

    def play() -> None:
        until(lambda: bool(lines.told("ready")))
        (tmp_path / "rig.yaml").write_text(RIG.replace("harbour", "pier"), "utf-8")
        os.kill(os.getpid(), signal.SIGHUP)
        until(lambda: bool(lines.told("reloaded")))
        os.kill(os.getpid(), signal.SIGTERM)

    player = threading.Thread(target=play)
    with controlled(tmp_path) as control:
        wishes = Wishes(control=control)
        registry = Registry(ports={"quay": quay})
        assert run(rig, registry, lines, wishes, before_start=player.start) is None
    player.join(PATIENCE_S)
    assert lines.told("reloaded")[0]["rig"] == "pier"
    assert [event for event, _ in lines.news] == ["ready", "reloaded", "ended"]


class Systemd:
    """The other end of NOTIFY_SOCKET."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.setblocking(False)
        self.said: list[str] = []

    def hear(self) -> list[str]:
        """All that was said so far."""
        while True:
            try:
                self.said.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return self.said

    def fed(self) -> int:
        """How often the watchdog was fed."""
        return self.hear().count("WATCHDOG=1")


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Systemd]:
    found = Systemd(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "2000000")
    yield found
    found.socket.close()


def test_systemd_hears_of_begin_reload_and_end(
    open_stage: Callable[..., Stage], quay: Quay, systemd: Systemd
) -> None:
    stage = open_stage()
    stage.run.running.steward.ask_reload()
    until(lambda: sum("READY=1" in text for text in systemd.hear()) == 2)
    until(lambda: systemd.fed() > 1)
    stage.run.stop()
    said = [text.split("\n")[0] for text in systemd.hear() if text != "WATCHDOG=1"]
    assert said == ["READY=1", "RELOADING=1", "READY=1", "STOPPING=1"]


def test_a_main_thread_that_hangs_feeds_no_watchdog(
    tmp_path: Path, quay: Quay, systemd: Systemd
) -> None:
    hangs = threading.Event()
    goes_on = threading.Event()

    with playing(load(tmp_path, RIG), quay) as run:
        service = run.running.service
        sleep = service._wait

        def wait(wake_fd: int, seconds: float) -> None:
            if hangs.is_set():
                goes_on.wait(PATIENCE_S)
            sleep(wake_fd, seconds)

        service._wait = wait
        until(lambda: systemd.fed() > 0)
        hangs.set()
        service.wake()
        run.turns(3)
        fed = systemd.fed()
        run.turns(5)  # longer than it sleeps at most
        assert systemd.fed() == fed
        hangs.clear()
        goes_on.set()
        until(lambda: systemd.fed() > fed)


def test_times_of_a_thousand_lost_messages_take_one_line_a_second(
    tmp_path: Path, quay: Quay
) -> None:
    with playing(load(tmp_path, RIG), quay) as run:
        quay.outputs["gull"].broken = OSError(5, "Input/output error")
        begun = time.monotonic()
        while time.monotonic() < begun + 1.5:
            quay.play(*[CLOCK] * 50)
        spent_s = time.monotonic() - begun
    told = run.lines.told("messages lost")
    assert 1 <= len(told) <= spent_s + 2
    assert sum(line["count"] for line in told) == run.running.service.failures["gull"].count > 50


def test_catching_up_is_quicker_than_what_a_bench_plays() -> None:
    """3,000 messages a second must not wait for ever behind what a synth is told."""
    assert link._CAUGHT_UP_AT_ONCE / link._CATCH_UP_S >= 3000
