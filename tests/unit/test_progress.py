"""The line that says how far long work has come: on a terminal only, and gone at the end."""

from __future__ import annotations

import io
import signal
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from pointsman.progress import EVERY_S, FIRST_AFTER_S, Progress, minutes

LINES = 400_000
COMMAND = ["-m", "pointsman.cli", "render", "rig.yaml", "set.tsv", "--out", "out"]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture(autouse=True)
def real_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "40")


def lines(out: io.StringIO) -> list[str]:
    """What stood in the line, one after the other."""
    return out.getvalue().split("\r\x1b[K")[1:]


def test_it_comes_after_a_moment_a_few_times_a_second_and_goes() -> None:
    clock, out = Clock(), Terminal()
    with Progress("rendering", 200, out=out, clock=clock) as progress:
        for done in range(101):
            clock.now_s += EVERY_S / 4
            progress.at(done)
    shown = lines(out)
    assert shown[0] == "rendering   5%", "10 of 200 calls, a quarter of the interval each"
    assert shown[-1] == "", "the line is gone"
    assert 15 < len(shown) < 101 / 4, "never more often than EVERY_S"


def test_short_work_shows_nothing() -> None:
    clock, out = Clock(), Terminal()
    with Progress("rendering", out=out, clock=clock) as progress:
        clock.now_s += FIRST_AFTER_S / 2
        progress.at(1)
    assert out.getvalue() == ""


def test_without_a_total_it_says_how_far() -> None:
    clock, out = Clock(), Terminal()
    with Progress("rendering set.mid:", unit=minutes, out=out, clock=clock) as progress:
        clock.now_s += 1
        progress.at(725_000_000_000)
    assert lines(out) == ["rendering set.mid: 12:05", ""]


def test_it_keeps_to_one_line_of_a_narrow_terminal() -> None:
    clock, out = Clock(), Terminal()
    with Progress("rendering " + "x" * 100, 2, out=out, clock=clock) as progress:
        clock.now_s += 1
        progress.at(1)
    assert [len(line) for line in lines(out)] == [39, 0]


def test_it_goes_when_the_work_fails() -> None:
    clock, out = Clock(), Terminal()
    with pytest.raises(ValueError), Progress("rendering", 2, out=out, clock=clock) as progress:
        clock.now_s += 1
        progress.at(1)
        raise ValueError
    assert lines(out)[-1] == ""


@pytest.mark.parametrize("term", ["dumb", ""])
def test_a_terminal_that_cannot_erase_sees_nothing(
    term: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", term)
    clock, out = Clock(), Terminal()
    with Progress("rendering", 2, out=out, clock=clock) as progress:
        clock.now_s += 1
        progress.at(1)
    assert out.getvalue() == ""


# ---- render --------------------------------------------------------------------------------------


@pytest.fixture
def long_set(tmp_path: Path) -> Path:
    """A folder with a rig and an input that takes seconds."""
    (tmp_path / "rig.yaml").write_text("input: {port: 'null:'}\noutputs: {tug: {port: 'null:'}}\n")
    with (tmp_path / "set.tsv").open("w") as file:
        file.writelines(f"{n // 100}.{n % 100:02}\tB0 4A {n % 128:02X}\n" for n in range(LINES))
    return tmp_path


def _hear_ctrl_c() -> None:
    """Where the tests are run in the background the signal is ignored, and stays so."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_render_shows_how_far_it_is_and_ctrl_c_leaves_no_file_that_looks_whole(
    long_set: Path,
) -> None:
    (long_set / "out").mkdir()
    (long_set / "out" / "tug.tsv").write_text("an older one\n")
    terminal = pexpect.spawn(
        sys.executable, COMMAND, cwd=str(long_set), encoding="utf-8", timeout=60,
        dimensions=(24, 60), preexec_fn=_hear_ctrl_c,
    )  # fmt: skip
    terminal.expect(r"\r\x1b\[Krendering set\.tsv: \d+:\d\d")
    terminal.sendcontrol("c")
    terminal.expect_exact(pexpect.EOF)
    assert str(terminal.before).endswith("\r\x1b[K")
    terminal.close()
    assert terminal.exitstatus == 130
    assert [path.name for path in (long_set / "out").iterdir()] == ["tug.tsv"]
    assert (long_set / "out" / "tug.tsv").read_text() == "an older one\n"


def test_render_into_a_pipe_shows_none(long_set: Path) -> None:
    done = subprocess.run(
        [sys.executable, *COMMAND], cwd=long_set, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert done.stdout.startswith("output ")
    out = long_set / "out"
    assert sorted(path.name for path in out.iterdir()) == ["tug.mid", "tug.tsv"]
    assert len((out / "tug.tsv").read_text().splitlines()) == LINES
