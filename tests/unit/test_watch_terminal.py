"""watch on a real pseudo-terminal: what stands there, keys, sizes, and every way out of it.

What stands on the screen is worked out by pyte, a terminal emulator that knows nothing of us.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from pty_kit import PATIENCE_S, OnTerminal, on_terminal
from test_watch_live import leaking

HOURS = 3600.0
RIG = """\
rig: harbour
input: {port: "file:set.tsv"}
outputs:
  tug: {port: "null:", chain: [{plugin: channel_remap, map: {1: 5}}]}
"""
TITLE = "dry run of rig.yaml: nothing is sent"


@pytest.fixture(autouse=True)
def quay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a rig whose input plays a note and then lasts for hours."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("POINTSMAN_SOCKET", str(tmp_path / "none.sock"))
    (tmp_path / "rig.yaml").write_text(RIG)
    steady("90 3C 64")
    return tmp_path


def steady(*messages: str, a_second: int = 0, seconds: int = 60) -> None:
    """What the input plays: these at once, then so many notes a second, then nothing for hours."""
    events = [f"0.000000\t{data}\n" for data in messages]
    for n in range(a_second * seconds):
        events.append(f"{n / a_second:.6f}\t9{n % 16:X} {n // 16 % 128:02X} 40\n")
    Path("set.tsv").write_text("".join([*events, f"{HOURS:.6f}\tFC\n"]))


def test_what_stands_on_the_terminal() -> None:
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("note C4 100")
        terminal.until(lambda: "C4 on 5" in terminal.lines[4], "what sounds")
        lines = terminal.lines
        assert lines[0] == f"{TITLE}; input file:set.tsv; no service runs"
        assert lines[1] == "stopped, no clock"
        assert [line.split()[0] for line in lines[3:5]] == ["input", "tug"]
        assert lines[5] == "-" * 80
        assert lines[6].split()[1:] == ["input", "1", "note", "C4", "100", "90", "3C", "64"]
        assert lines[7].split()[1:] == ["tug", "5", "note", "C4", "100", "94", "3C", "64"]
        assert lines[-1] == "q ends, space pauses"
        assert terminal.screen.cursor.hidden
        attributes = termios.tcgetattr(terminal.theirs)[3]
        assert not attributes & (termios.ECHO | termios.ICANON)


def test_bold_and_faint_and_no_marks_at_all_where_no_colour_is_wanted() -> None:
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("note C4 100")
        assert terminal.screen.buffer[0][0].bold
        assert terminal.screen.buffer[0][0].fg == "default"
    with on_terminal("watch", "rig.yaml", NO_COLOR="1") as terminal:
        terminal.shows("note C4 100")
        assert not terminal.screen.buffer[0][0].bold
        assert b"\x1b[0m" not in terminal.written


def test_a_terminal_that_is_resized() -> None:
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("note C4 100")
        terminal.resize(40, 12)
        terminal.until(lambda: terminal.lines[-1] == "q ends, space pauses", "the keys below")
        terminal.until(lambda: terminal.lines[5] == "-" * 40, "the rule")
        assert terminal.lines[0] == f"{TITLE}; i…"
        assert terminal.lines[7].split()[1:] == ["tug", "5", "note", "C4", "100"]
        terminal.resize(100, 30)
        terminal.until(lambda: terminal.lines[5] == "-" * 100, "the wide rule")
        assert "file:set.tsv" in terminal.lines[3]
        assert terminal.lines[-1] == "q ends, space pauses"
        for size in ((1, 1), (3, 2), (5, 60), (300, 3)):
            terminal.resize(*size)
            terminal.read(0.2)
        terminal.resize(80, 24)
        terminal.until(lambda: terminal.lines[5] == "-" * 80, "the rule again")
        terminal.press("q")
        assert terminal.end() == 0


def test_q_ends_and_leaves_a_line() -> None:
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("note C4 100")
        terminal.press("\x1b[A\x1b[B")  # arrows are no keys of ours
        terminal.press("xyz")
        terminal.press("q")
        assert terminal.end() == 0
        assert terminal.restored
        assert "Messages seen: input 1, tug 1." in terminal.text


SIGNALS = {"Ctrl-C": 130, signal.SIGTERM: 143, signal.SIGINT: 130, signal.SIGHUP: 129}


@pytest.mark.parametrize("how", SIGNALS, ids=str)
def test_signals_end_it_and_the_terminal_is_as_it_was(how: str | signal.Signals) -> None:
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("note C4 100")
        if isinstance(how, str):
            terminal.press("\x03")
        else:
            terminal.process.send_signal(how)
        assert terminal.end() == SIGNALS[how]
        assert terminal.restored
        assert "Traceback" not in terminal.text


def is_paused(terminal: OnTerminal, wanted: bool) -> bool:
    return ("PAUSED" in terminal.text) == wanted


def test_ctrl_s_pauses_as_ctrl_q_goes_on_and_keeps_nobody_from_ending() -> None:
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("note C4 100")
        for key, shown in (("\x13", True), ("\x13", True), ("\x11", False), ("\x13", True)):
            terminal.press(key)
            terminal.until(partial(is_paused, terminal, shown))
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 143
        assert terminal.restored


def test_what_ignores_a_hang_up_goes_on() -> None:
    """As under nohup."""
    command = f"trap '' HUP; exec {sys.executable} -m pointsman.cli watch rig.yaml --lines"
    terminal = OnTerminal(["sh", "-c", command], (80, 24), {})
    try:
        terminal.shows("note C4 100")
        terminal.process.send_signal(signal.SIGHUP)
        terminal.read(0.3)
        assert terminal.process.poll() is None
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 143
    finally:
        terminal.close()


def test_a_failure_inside_gives_the_terminal_back(tmp_path: Path) -> None:
    """The rig's plugin ends the view from inside, as a bug of ours would."""
    leaking(tmp_path / "plugins", "KeyboardInterrupt")
    Path("rig.yaml").write_text(
        RIG.replace("plugin: channel_remap, map: {1: 5}", "plugin: leak")
        + "plugins: {folders: [plugins]}\n"
    )
    Path("set.tsv").write_text("1.000000\t90 3C 64\n")
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows(TITLE)
        assert terminal.end() == 130
        assert terminal.restored


def test_ctrl_z_gives_the_terminal_back_and_fg_takes_it_again() -> None:
    """Under a shell with job control, as a player would."""
    watch = f"{sys.executable} -m pointsman.cli watch rig.yaml"
    script = f"set -m; {watch}; echo STOPPED; stty -a; read -r go; fg >fg.txt; echo OVER $?"
    terminal = OnTerminal(["bash", "--norc", "-c", script], (80, 24), {})
    try:
        terminal.shows("note C4 100")
        terminal.press("\x1a")
        terminal.shows("STOPPED")
        terminal.until(lambda: " icanon" in terminal.text and " echo " in terminal.text, "stty")
        assert "-icanon" not in terminal.text
        assert not terminal.screen.cursor.hidden
        terminal.press("go\n")
        terminal.until(lambda: terminal.lines[0].startswith(TITLE), "the view again")
        terminal.shows("note C4 100")
        assert terminal.screen.cursor.hidden
        terminal.press("q")
        terminal.shows("OVER 0")
        assert terminal.end() == 0
        assert terminal.restored
    finally:
        terminal.close()


def test_a_pause_holds_the_list_and_counts_what_passes() -> None:
    steady(a_second=50)
    with on_terminal("watch", "rig.yaml", "--output", "input") as terminal:
        terminal.until(lambda: terminal.lines[22] != "", "a full list")
        terminal.press(" ")
        terminal.shows("PAUSED")
        held = terminal.lines[6:23]
        terminal.until(lambda: "PAUSED, 2" in terminal.text, "twenty that passed by")
        assert terminal.lines[6:23] == held
        assert terminal.lines[-1].endswith("q ends, space goes on; --output input")
        terminal.press(" ")
        terminal.until(lambda: terminal.lines[6:23] != held, "the list goes on")
        assert "PAUSED" not in terminal.text


def test_three_thousand_a_second_are_drawn_seldom_and_what_is_skipped_is_counted() -> None:
    steady(a_second=3000, seconds=30)
    with on_terminal("watch", "rig.yaml") as terminal:
        terminal.shows("not shown")
        terminal.written, begun_s = b"", time.monotonic()
        while time.monotonic() < begun_s + 2:
            terminal.read()
        draws = terminal.written.count(b"\x1b[24;1H")  # the count of what is skipped, in the last
        assert 2 <= draws <= 2 * 12 + 2
        assert len(terminal.written) < 2 * 12 * 24 * 100
        terminal.press("q")
        assert terminal.end() == 0


# ---- no terminal, or half of one -----------------------------------------------------------------


def test_without_keys_it_is_a_view_all_the_same() -> None:
    command = [sys.executable, "-m", "pointsman.cli", "watch", "rig.yaml"]
    script = f"exec {' '.join(command)} </dev/null"
    terminal = OnTerminal(["sh", "-c", script], (80, 24), {})
    try:
        terminal.shows("note C4 100")
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 143
        assert terminal.restored
    finally:
        terminal.close()


@pytest.mark.parametrize("more", [("--lines",), ("--json",)])
def test_lines_on_a_terminal(more: tuple[str, ...]) -> None:
    with on_terminal("watch", "rig.yaml", *more) as terminal:
        terminal.shows("note C4 100")
        assert b"\x1b" not in terminal.written
        assert termios.tcgetattr(terminal.theirs) == terminal.settings
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 143


def test_a_terminal_that_can_do_nothing_gets_lines() -> None:
    with on_terminal("watch", "rig.yaml", TERM="dumb") as terminal:
        terminal.shows("note C4 100")
        assert b"\x1b" not in terminal.written


def test_a_terminal_that_goes_away() -> None:
    terminal = OnTerminal(
        [sys.executable, "-m", "pointsman.cli", "watch", "rig.yaml"], (80, 24), {}
    )
    terminal.shows("note C4 100")
    for end in (terminal.theirs, terminal.ours):
        os.close(end)
    assert terminal.process.wait(PATIENCE_S) == 129


Piped = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def piped() -> Piped:
    def start(*arguments: str, **more: Any) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "pointsman.cli", "watch", *arguments],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
            **more,
        )  # fmt: skip

    return start


def test_in_a_pipe_every_message_is_a_line_and_the_end_of_the_input_the_end(piped: Piped) -> None:
    Path("set.tsv").write_text("".join(f"0.00{n}000\t9{n} 3C 64\n" for n in range(9)))
    with piped("rig.yaml") as watch:
        out, err = watch.communicate(timeout=PATIENCE_S)
    first, *lines, last = out.splitlines()
    assert (watch.returncode, err) == (0, "")
    assert first == f"# {TITLE}; input file:set.tsv; no service runs"
    assert last == "# the input has ended"
    assert [line.split()[1] for line in lines] == ["input", "tug"] * 9
    assert lines[1].partition("  ")[2] == "tug    94 3C 64  note C4 100 channel 5"


def test_head_ends_it_without_a_word_even_where_nothing_comes_any_more() -> None:
    command = f"{sys.executable} -m pointsman.cli watch rig.yaml"
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {command} | head -1"],
        capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("# dry run")


def test_a_reader_that_does_not_read_is_told_what_it_has_lost_and_a_signal_still_ends(
    piped: Piped,
) -> None:
    steady(a_second=20_000, seconds=3)
    with piped("rig.yaml") as watch:
        time.sleep(4)  # its pipe is full, and so is the queue: 20,000 messages
        assert watch.stdout is not None
        said = iter(watch.stdout.readline, "")
        lost = next(line for line in said if "lost" in line)
        assert int(lost.split()[1]) > 1000
        time.sleep(0.5)  # its pipe is full again
        watch.terminate()
        assert watch.wait(PATIENCE_S) == 143


@pytest.mark.parametrize("closed", ["<&-", "</dev/null", "2>&-"])
def test_closed_streams_harm_nothing(closed: str) -> None:
    Path("set.tsv").write_text("0.000000\t90 3C 64\n")
    command = f"{sys.executable} -m pointsman.cli watch rig.yaml {closed}"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.count("note C4"), done.stderr) == (0, 2, "")


def test_nowhere_to_write() -> None:
    command = f"{sys.executable} -m pointsman.cli watch rig.yaml >&-"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "there is nowhere to write to; give watch a standard output\n"
