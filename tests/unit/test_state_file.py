"""The state file: what a killed run leaves, and every kind of trouble with a file.

Trouble is one line with the path, and the run goes on. What the file said before is not lost.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from pointsman.live.state_file import MOST_BYTES, Left, LeftPort, StateFile

HOME = bytes.fromhex("B4 4A 40")
LEFT = Left(
    "harbour-set",
    {
        "Bass Box": LeftPort("Bass Box 20:0", {4: [36, 40]}, [HOME]),
        "Drums": LeftPort("", {9: [38], 10: []}, []),
    },
)
NOBODY = 65534


@pytest.fixture
def file(tmp_path: Path) -> StateFile:
    return StateFile(tmp_path / "control.state")


def line(file: StateFile) -> str:
    text = str(file.problem)
    assert file.problem is not None and text.startswith(f"{file.path}: ") and "\n" not in text
    assert len(text) < 600
    return text.removeprefix(f"{file.path}: ")


def shown(messages: list[bytes]) -> str:
    return ", ".join(data.hex(" ").upper() for data in messages)


# ---- the right way -------------------------------------------------------------------------------


def test_no_file_is_a_clean_end(file: StateFile) -> None:
    assert file.read() is None and file.problem is None


def test_what_was_written_is_read(file: StateFile) -> None:
    assert file.write(LEFT) and file.problem is None
    assert StateFile(file.path).read() == LEFT and file.problem is None
    assert LEFT.pid == os.getpid()


def test_what_is_sent_to_a_port() -> None:
    bass = "B4 7B 00, B4 78 00, 84 24 40, 84 28 40, B4 4A 40"
    assert shown(LEFT.messages("Bass Box")) == bass
    assert shown(LEFT.messages("Bass", "Bass Box 20:0")) == bass
    assert shown(LEFT.messages("Drums")) == "B9 7B 00, B9 78 00, BA 7B 00, BA 78 00, 89 26 40"
    assert LEFT.messages("Tug") == []


def test_a_clean_end_leaves_nothing(file: StateFile) -> None:
    file.write(LEFT)
    file.clear()
    file.clear()
    assert file.problem is None and list(file.path.parent.iterdir()) == []


def test_only_we_may_read_it_and_it_says_its_version(file: StateFile) -> None:
    file.write(LEFT)
    assert file.path.stat().st_mode & 0o777 == 0o600
    content = json.loads(file.path.read_bytes())
    assert content["version"] == 1 and content["ports"][0] == {
        "port": "Bass Box",
        "found": "Bass Box 20:0",
        "notes": {"5": [36, 40]},
        "homes": ["B4 4A 40"],
    }


def test_a_run_that_was_killed_while_it_wrote_is_no_hindrance(file: StateFile) -> None:
    file.write(LEFT)
    file.path.with_name("control.state.new").write_bytes(b'{"vers')
    assert file.read() == LEFT
    assert file.write(Left("other", {})) and file.read() == Left("other", {})
    assert [path.name for path in file.path.parent.iterdir()] == ["control.state"]


def test_a_kill_at_any_time_leaves_a_whole_file(file: StateFile) -> None:
    script = f"""
from pathlib import Path
from pointsman.live.state_file import Left, LeftPort, StateFile
file, n = StateFile(Path({str(file.path)!r})), 0
while True:
    n = (n + 1) % 128
    assert file.write(Left("set", {{"Tug": LeftPort("", {{n % 16: list(range(n))}}, [])}}))
    if n == 1: print(flush=True)
"""
    for _ in range(3):
        with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as process:
            assert process.stdout is not None and process.stdout.readline()
            process.send_signal(signal.SIGKILL)
        left = file.read()
        assert left is not None and file.problem is None and left.pid == process.pid
        (notes,) = left.ports["Tug"].notes.values()
        assert list(notes) == list(range(len(notes)))


# ---- content that is wrong -----------------------------------------------------------------------

PORT = {"port": "Tug", "found": "", "notes": {"1": [60]}, "homes": []}
WHOLE = {"version": 1, "rig": "set", "pid": 1, "ports": [PORT]}
CONTENT = json.dumps(WHOLE).encode()

# content: what the line says of it
WRONG: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "is empty"),
    "truncated": (CONTENT[:-9], "is no JSON, or was cut short"),
    "not JSON": (b"\x00\xff\x13", "is no JSON, or was cut short"),
    "nested": (b"[" * 100_000, "is nested too deep"),
    "a long number": (b"9" * 10_000, "Exceeds the limit"),
    "too long": (CONTENT + b" " * MOST_BYTES, f"has more than {MOST_BYTES} bytes"),
    "a list": (b"[]", "Input should be"),
    "another version": (json.dumps(WHOLE | {"version": 2}).encode(), "is of version 2, and this"),
    "a version that is none": (json.dumps(WHOLE | {"version": [1]}).encode(), "is of version [1]"),
    "no version": (json.dumps({"rig": "set"}).encode(), "version: Field required"),
    "a number for a name": (json.dumps(WHOLE | {"rig": 5}).encode(), "rig: Input should be"),
    "ports of another kind": (json.dumps(WHOLE | {"ports": {}}).encode(), "ports: Input should"),
}


@pytest.mark.parametrize("name", WRONG)
def test_content_that_is_wrong(file: StateFile, name: str) -> None:
    content, said = WRONG[name]
    file.path.write_bytes(content)
    assert file.read() is None
    assert line(file).startswith(said)
    assert line(file).endswith(
        "what the last run left sounding is not known: use 'pointsman panic' if a note hangs; "
        "the file is written anew"
    )
    assert file.write(LEFT) and file.problem is None and file.read() == LEFT


# what is wrong with a port: what the line says of it
WRONG_PORTS: list[tuple[Any, str]] = [
    ([], "port 1: Input should be"),
    ({**PORT, "notes": {"1": [128]}}, "port 1: notes.1.0: Input should be less than or equal"),
    ({**PORT, "notes": {"1": [True]}}, "port 1: notes.1.0: Input should be a valid integer"),
    ({**PORT, "notes": {"1": ["60"]}}, "port 1: notes.1.0: Input should be a valid integer"),
    ({**PORT, "notes": {"17": [60]}}, "port 1: '17' is no channel 1-16"),
    ({**PORT, "notes": {"0": [60]}}, "port 1: '0' is no channel 1-16"),
    ({**PORT, "homes": ["B4 4A"]}, "port 1: 'B4 4A' is no MIDI message"),
    ({**PORT, "homes": ["B4 4A 40 B4 4A 40"]}, "port 1: 'B4 4A 40 B4 4A 40' is no MIDI message"),
    ({**PORT, "homes": ["tug"]}, "port 1: 'tug' is no MIDI message"),
    ({**PORT, "homes": ["00 " * 1000]}, "port 1: homes.0: String should have at most"),
    ({"port": "Tug"}, "port 1: found: Field required"),
]


@pytest.mark.parametrize("port, said", WRONG_PORTS)
def test_a_port_that_is_wrong_is_left_out_and_the_others_are_taken(
    file: StateFile, port: Any, said: str
) -> None:
    right = {**PORT, "port": "Buoy"}
    file.path.write_text(json.dumps(WHOLE | {"ports": [port, right, port]}), "utf-8")
    left = file.read()
    assert left is not None and left.ports == {"Buoy": LeftPort("", {0: [60]}, [])}
    assert line(file).startswith(said) and "(and 1 more); left out" in line(file)


def test_names_of_any_kind_can_be_written(file: StateFile) -> None:
    """The last one is what Python makes of bytes that are no UTF-8."""
    odd = ("Hafen-Gerät", "a\nb", '"', "", "\udc80")
    left = Left("Tür\0", {name: LeftPort(name, {0: [60]}, []) for name in odd})
    assert file.write(left) and file.read() == left and file.problem is None


def test_homes_that_make_it_too_long_are_left_out(file: StateFile) -> None:
    homes = [HOME] * (MOST_BYTES // 9)
    assert file.write(Left("set", {"Tug": LeftPort("", {0: [60]}, homes)}))
    assert line(file) == "grows too long; the homes of controls are left out"
    assert file.read() == Left("set", {"Tug": LeftPort("", {0: [60]}, [])})


def test_every_note_of_a_hundred_ports_fits(file: StateFile) -> None:
    notes = {channel: range(128) for channel in range(16)}
    assert file.write(Left("set", {f"Port {n}": LeftPort("x" * 60, notes, []) for n in range(100)}))
    assert file.problem is None
    assert not file.write(Left("s", {f"Port {n}": LeftPort("", notes, []) for n in range(200)}))
    assert line(file) == "grows too long; what it said before stays"
    left = file.read()
    assert left is not None and len(left.ports) == 100


# ---- something else in its place -----------------------------------------------------------------


def test_a_link_is_not_followed_and_gives_way(file: StateFile, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_bytes(CONTENT)
    file.path.symlink_to(other)
    file.path.with_name("control.state.new").symlink_to(other)
    assert file.read() is None
    assert line(file).startswith("is a symbolic link, which Pointsman never makes; what the last")
    assert file.write(LEFT) and not file.path.is_symlink() and file.read() == LEFT
    assert other.read_bytes() == CONTENT


def make_pipe(path: Path) -> None:
    os.mkfifo(path)


def make_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        here = os.getcwd()
        os.chdir(path.parent)  # the name of a socket is short
        try:
            made.bind(path.name)
        finally:
            os.chdir(here)


@pytest.mark.parametrize("make", [make_pipe, make_socket])
def test_a_pipe_or_socket_neither_blocks_nor_stays(
    file: StateFile, make: Callable[[Path], None]
) -> None:
    make(file.path)
    assert file.read() is None and "is not known" in line(file)
    assert file.write(LEFT) and file.read() == LEFT


def test_a_folder_in_its_place(file: StateFile) -> None:
    file.path.mkdir()
    before = len(os.listdir("/proc/self/fd"))
    assert file.read() is None
    assert line(file).startswith("is no regular file; ")
    assert len(os.listdir("/proc/self/fd")) == before
    assert not file.write(LEFT)
    assert line(file).startswith("cannot be written: Is a directory; ")
    file.clear()
    assert line(file).startswith("cannot be removed: Is a directory; the next start will send")


def test_a_folder_that_is_gone(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "gone" / "control.state")
    assert file.read() is None and file.problem is None
    assert not file.write(LEFT)
    assert line(file) == (
        "cannot be written: No such file or directory; what it said before stays, and the next "
        "change is tried again"
    )
    file.clear()
    assert file.problem is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can make a file of another user")
def test_the_file_of_another_user_is_not_trusted(file: StateFile) -> None:
    file.path.write_bytes(CONTENT)
    os.chown(file.path, NOBODY, NOBODY)
    assert file.read() is None
    assert line(file).startswith(f"belongs to another user ({NOBODY}); what the last run left")
    assert file.write(LEFT) and file.read() == LEFT


@contextmanager
def unprivileged_folder() -> Iterator[Path]:
    """A folder of our own that rules of access hold for: root is another user meanwhile."""
    folder = Path(tempfile.mkdtemp())
    is_root = os.geteuid() == 0
    if is_root:
        os.chown(folder, NOBODY, NOBODY)
        os.seteuid(NOBODY)
    try:
        yield folder
    finally:
        if is_root:
            os.seteuid(0)
        folder.chmod(0o700)
        shutil.rmtree(folder)


def test_a_folder_that_cannot_be_written() -> None:
    with unprivileged_folder() as folder:
        file = StateFile(folder / "control.state")
        assert file.write(LEFT)
        folder.chmod(0o500)
        assert not file.write(Left("other", {}))
        assert line(file).startswith("cannot be written: Permission denied; what it said before")
        assert file.read() == LEFT
        file.clear()
        assert line(file).startswith("cannot be removed: Permission denied; the next start will")
        folder.chmod(0o700)
        assert file.write(Left("other", {})) and file.problem is None


@pytest.mark.parametrize("what", ["file", "folder"])
def test_what_may_not_be_read(what: str) -> None:
    with unprivileged_folder() as folder:
        file = StateFile(folder / "control.state")
        file.write(LEFT)
        (file.path if what == "file" else folder).chmod(0)
        assert file.read() is None
        assert line(file).startswith("cannot be read: Permission denied; what the last run left")
        assert file.write(LEFT) is (what == "file")


# ---- a disk that is full -------------------------------------------------------------------------

BIG = Left("set", {f"Port {n}": LeftPort("", {0: list(range(128))}, []) for n in range(200)})


def assert_the_old_file_stays(file: StateFile, said: str) -> None:
    assert line(file).startswith(f"cannot be written: {said}; what it said before stays")
    assert file.read() == LEFT
    assert [path.name for path in file.path.parent.iterdir() if path.suffix == ".new"] == []
    assert file.write(LEFT) and file.problem is None


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 KiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    try:
        made = subprocess.run(mount, capture_output=True, text=True)
    except FileNotFoundError:
        pytest.skip("there is no mount here; the tests beside this one still fill a disk")
    if made.returncode:
        pytest.skip(f"no small disk can be mounted here ({made.stderr.strip()})")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk(small_disk: Path) -> None:
    file = StateFile(small_disk / "control.state")
    assert file.write(LEFT)
    assert not file.write(BIG)  # breaks off in the middle
    assert_the_old_file_stays(file, "No space left on device")
    with open(small_disk / "cargo", "wb", buffering=0) as cargo, pytest.raises(OSError):
        while True:
            cargo.write(b"x" * 4096)
    assert not file.write(Left("other", {}))  # not a byte fits
    (small_disk / "cargo").unlink()
    assert file.read() == LEFT
    assert file.write(Left("other", {})) and file.read() == Left("other", {})


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_a_device_that_is_full(file: StateFile, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's own refusal, also where no disk can be mounted."""
    file.write(LEFT)
    opened = os.open

    def on_full_device(path: Any, flags: int, mode: int = 0o777) -> int:
        return opened("/dev/full" if flags & os.O_CREAT else path, flags & ~os.O_EXCL, mode)

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", on_full_device)
        assert not file.write(Left("other", {}))
    assert_the_old_file_stays(file, "No space left on device")


def test_a_limit_on_the_size_of_files(file: StateFile) -> None:
    file.write(LEFT)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))
    try:
        assert not file.write(BIG)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert_the_old_file_stays(file, "File too large")
