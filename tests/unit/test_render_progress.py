"""The line that says how far long work has come: on a terminal only, and gone at the end."""

from __future__ import annotations

import io
import signal
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest
from quay import until

from pointsman import progress
from pointsman.progress import FIRST_AFTER_S, TURN_S, Counting, minutes

LINES = 400_000
COMMAND = ["-m", "pointsman.cli", "render", "rig.yaml", "set.tsv", "--out", "out"]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def out() -> Terminal:
    return Terminal()


class Clock:
    """Stands in for the time."""

    now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(progress, "time", clock)
    return clock


def lines(out: io.StringIO) -> list[str]:
    """What stood in the line, one after the other."""
    return out.getvalue().split("\r\x1b[K")[1:]


def test_it_comes_after_a_moment_a_few_times_a_second_and_goes(out: Terminal, clock: Clock) -> None:
    with Counting("rendering", 200, stream=out) as counting:
        for done in range(101):
            clock.now_s += TURN_S / 4
            counting.at(done)
    shown = lines(out)
    assert shown[0] == "rendering 5%", "10 of 200 calls, a quarter of the interval each"
    assert shown[-1] == "", "the line is gone"
    assert 15 < len(shown) < 101 / 4, "never more often than TURN_S"


def test_short_work_shows_nothing(out: Terminal, clock: Clock) -> None:
    with Counting("rendering", stream=out) as counting:
        clock.now_s += FIRST_AFTER_S / 2
        counting.at(1)
    assert out.getvalue() == ""


def test_without_a_total_it_says_how_far(out: Terminal, clock: Clock) -> None:
    with Counting("rendering set.mid:", unit=minutes, stream=out) as counting:
        clock.now_s += 1
        counting.at(725_000_000_000)
    assert lines(out) == ["rendering set.mid: 12:05", ""]


def test_it_goes_when_the_work_fails(out: Terminal, clock: Clock) -> None:
    with pytest.raises(ValueError), Counting("rendering", 2, stream=out) as counting:
        clock.now_s += 1
        counting.at(1)
        raise ValueError
    assert lines(out)[-1] == ""


# ---- render --------------------------------------------------------------------------------------


@pytest.fixture
def long_set(tmp_path: Path) -> Path:
    """A folder with a rig and an input that takes seconds."""
    (tmp_path / "rig.yaml").write_text("input: {port: 'null:'}\noutputs: {tug: {port: 'null:'}}\n")
    with (tmp_path / "set.tsv").open("w") as file:
        file.writelines(f"{n // 100}.{n % 100:02}\tB0 4A {n % 128:02X}\n" for n in range(LINES))
    return tmp_path


def _hear_signals() -> None:
    """Where the tests are run in the background some are ignored, and stay so."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def test_render_shows_how_far_it_is_and_ctrl_c_leaves_no_file_that_looks_whole(
    long_set: Path,
) -> None:
    (long_set / "out").mkdir()
    (long_set / "out" / "tug.tsv").write_text("an older one\n")
    terminal = pexpect.spawn(
        sys.executable, COMMAND, cwd=str(long_set), encoding="utf-8", timeout=60,
        dimensions=(24, 60), preexec_fn=_hear_signals,
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


def test_render_that_is_told_to_end_leaves_no_hidden_folder(
    long_set: Path,
) -> None:
    """As a shell, or systemd, tells a command to end."""
    for number in (signal.SIGTERM, signal.SIGHUP):
        running = subprocess.Popen(
            [sys.executable, *COMMAND],
            cwd=long_set,
            stdout=subprocess.PIPE,
            preexec_fn=_hear_signals,
        )
        with running:
            until(lambda: any(long_set.glob("out/.unfinished-*/*")))
            running.send_signal(number)
            assert running.wait(20) == 128 + number  # as a shell would say it
        assert list((long_set / "out").iterdir()) == []
