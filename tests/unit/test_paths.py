"""Where the control socket is, and that nobody else can reach it or get in its way."""

from __future__ import annotations

import errno
import fcntl
import os
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from pointsman.live.paths import (
    ControlSocket,
    InUse,
    SocketError,
    bind_control,
    client_paths,
    service_path,
)


@pytest.fixture
def ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    """An environment whose runtime folder is in a folder of the test."""
    (tmp_path / "run").mkdir(mode=0o700)
    yield {"XDG_RUNTIME_DIR": str(tmp_path / "run")}


def mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


def test_the_order_of_places(tmp_path: Path) -> None:
    in_tmp = Path(f"/tmp/pointsman-{os.geteuid()}/control.sock")
    everything = {
        "POINTSMAN_SOCKET": "/a/x.sock",
        "RUNTIME_DIRECTORY": "/run/pointsman:/run/more",
        "XDG_RUNTIME_DIR": str(tmp_path),
    }
    assert service_path(Path("y.sock"), everything) == Path("y.sock")
    assert service_path(None, everything) == Path("/a/x.sock")
    del everything["POINTSMAN_SOCKET"]
    assert service_path(None, everything) == Path("/run/pointsman/control.sock")
    del everything["RUNTIME_DIRECTORY"]
    assert service_path(None, everything) == tmp_path / "pointsman" / "control.sock"
    assert service_path(None, {"XDG_RUNTIME_DIR": str(tmp_path / "none")}) == in_tmp
    assert service_path(None, {}) == in_tmp


def test_where_clients_look() -> None:
    in_tmp = Path(f"/tmp/pointsman-{os.geteuid()}/control.sock")
    system = Path("/run/pointsman/control.sock")
    of_user = {"XDG_RUNTIME_DIR": "/run/user/7"}
    assert client_paths(None, of_user) == (
        Path("/run/user/7/pointsman/control.sock"), system, in_tmp,
    )  # fmt: skip
    assert client_paths(None, {}) == (system, in_tmp)
    assert client_paths(None, {**of_user, "POINTSMAN_SOCKET": "/a"}) == (Path("/a"),)
    assert client_paths(Path("/b"), {"POINTSMAN_SOCKET": "/a"}) == (Path("/b"),)


def test_folder_and_socket_are_the_owners_alone(ours: dict[str, str]) -> None:
    before = os.umask(0)
    try:
        control = bind_control(None, ours)
    finally:
        assert os.umask(before) == 0
    assert mode(control.path.parent) == 0o700
    assert mode(control.path) == 0o600
    assert mode(control.path.with_suffix(".lock")) == 0o600
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(control.path))
        control.listening.accept()[0].close()
    control.close()
    control.close()
    assert not control.path.exists()


def test_two_on_one_socket(ours: dict[str, str]) -> None:
    first = bind_control(None, ours)
    with pytest.raises(InUse) as caught:
        bind_control(None, ours)
    assert caught.value.pid == os.getpid()
    assert str(caught.value) == (
        f"{first.path}: in use by process {os.getpid()}, which runs a rig already; "
        "end that one first, or give this one a place of its own with --socket PATH"
    )
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(first.path))  # the first has lost nothing
    first.close()
    bind_control(None, ours).close()


def test_a_socket_of_a_living_service_is_not_taken_though_its_lock_was_removed(
    ours: dict[str, str],
) -> None:
    first = bind_control(None, ours)
    first.path.with_suffix(".lock").unlink()
    with pytest.raises(InUse) as caught:
        bind_control(None, ours)
    assert caught.value.pid == os.getpid()
    first.close()


KILLED = """
import os, signal, sys
from pathlib import Path
from pointsman.live.paths import bind_control
control = bind_control(Path(sys.argv[1]), {})
held = os.dup(control.listening.fileno())
if os.fork() == 0:  # the desk, which outlives the service for a moment
    os.close(control._lock_fd)
    print("up", flush=True)
    os.read(0, 1)
    os._exit(0)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_what_a_killed_service_left_is_replaced_even_while_its_desk_still_listens(
    tmp_path: Path,
) -> None:
    path = tmp_path / "control.sock"
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as service:
        assert service.stdout is not None
        assert service.stdin is not None
        assert service.stdout.readline() == b"up\n"
        service.wait()
        control = bind_control(path, {})
        service.stdin.close()
    assert control.path.lstat().st_mode & stat.S_IFSOCK
    control.close()


def test_a_socket_that_another_has_put_there_meanwhile_is_not_removed(tmp_path: Path) -> None:
    control = bind_control(tmp_path / "a.sock", {})
    control.path.unlink()
    control.path.write_text("something else")
    control.close()
    assert control.path.read_text() == "something else"


# ---- refusals ------------------------------------------------------------------------------------


def refused(asked: Path | None, environ: dict[str, str]) -> str:
    """The line of a refusal."""
    with pytest.raises(SocketError) as caught:
        bind_control(asked, environ)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_path_that_is_too_long(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 100) / "control.sock"
    assert refused(path, {}) == (
        f"{path}: {len(str(path))} bytes long, and a socket's path has at most 107; "
        "name a shorter one with --socket PATH"
    )


def test_the_longest_path_works(tmp_path: Path) -> None:
    path = tmp_path / ("x" * (107 - len(str(tmp_path)) - 1 - 5) + ".sock")
    assert len(str(path)) == 107
    bind_control(path, {}).close()


def test_a_link_in_place_of_the_folder(tmp_path: Path, ours: dict[str, str]) -> None:
    (tmp_path / "elsewhere").mkdir()
    folder = tmp_path / "run" / "pointsman"
    folder.symlink_to(tmp_path / "elsewhere")
    assert refused(None, ours) == (
        f"{folder}: a link, and must be a folder of this user's own; remove it"
    )


def test_a_file_in_place_of_the_folder(tmp_path: Path, ours: dict[str, str]) -> None:
    folder = tmp_path / "run" / "pointsman"
    folder.write_text("")
    assert refused(None, ours).startswith(f"{folder}: no folder, and must be a folder")


def test_a_folder_that_is_open_to_others(tmp_path: Path, ours: dict[str, str]) -> None:
    folder = tmp_path / "run" / "pointsman"
    folder.mkdir()
    folder.chmod(0o750)
    assert refused(None, ours) == f"{folder}: open to other users; chmod 700 it first"
    folder.chmod(0o777)
    assert refused(folder / "x.sock", {}) == (
        f"{folder}: others may write there; chmod go-w it first"
    )
    folder.chmod(0o1777)  # as /tmp: others cannot replace what is not theirs
    bind_control(folder / "x.sock", {}).close()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder to another user")
def test_a_folder_of_another_user(tmp_path: Path, ours: dict[str, str]) -> None:
    folder = tmp_path / "run" / "pointsman"
    folder.mkdir(mode=0o700)
    os.chown(folder, 4711, 4711)
    assert refused(None, ours) == (
        f"{folder}: belongs to another user; name another place with --socket PATH"
    )


@pytest.mark.parametrize("kind", ["file", "folder", "link"])
def test_something_else_in_place_of_the_socket_stays(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.sock"
    if kind == "file":
        path.write_text("a rig, perhaps")
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(tmp_path / "none")
    assert refused(path, {}) == f"{path}: there is something that is no socket; name another place"
    assert path.lstat()


def test_a_link_in_place_of_the_lock(tmp_path: Path) -> None:
    (tmp_path / "a.lock").symlink_to(tmp_path / "victim")
    assert refused(tmp_path / "a.sock", {}).startswith(
        f"{tmp_path / 'a.lock'}: a link stands there"
    )
    assert not (tmp_path / "victim").exists()


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "none" / "none" / "a.sock"
    assert refused(path, {}) == (
        f"{path.parent}: its folder is not there; make it first, or name another with --socket PATH"
    )


ERRORS = {
    errno.EACCES: "no permission here; name a place of your own with --socket PATH",
    errno.EROFS: "on a read-only file system; name a place that can be written with --socket PATH",
    errno.EMFILE: "too many files are open; raise the limit (ulimit -n) and start again",
    errno.ENOSPC: "the disk is full; make room, or name another place with --socket PATH",
    errno.EIO: f"{os.strerror(errno.EIO)}; name another place for the socket with --socket PATH",
}


@pytest.mark.parametrize("call", ["mkdir", "open", "flock", "pwrite", "bind", "listen", "unlink"])
@pytest.mark.parametrize("number", ERRORS, ids=errno.errorcode.get)
def test_each_system_call_that_fails_gives_a_clear_line_and_keeps_nothing_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int
) -> None:
    with socket.socket(socket.AF_UNIX) as left:  # so that there is something to unlink
        left.bind(str(tmp_path / "a.sock"))
    before = len(os.listdir("/proc/self/fd"))

    def fail(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    class Failing(socket.socket):
        bind = fail if call == "bind" else socket.socket.bind
        listen = fail if call == "listen" else socket.socket.listen

    owner = {"mkdir": Path, "unlink": Path, "flock": fcntl}.get(call, os)
    if call in ("bind", "listen"):
        monkeypatch.setattr(socket, "socket", Failing)
    else:
        monkeypatch.setattr(owner, call, fail)
    line = refused(tmp_path / "a.sock", {})
    monkeypatch.undo()
    assert line.startswith(str(tmp_path))
    assert line.endswith(ERRORS[number])
    assert len(os.listdir("/proc/self/fd")) == before
    control: ControlSocket = bind_control(tmp_path / "a.sock", {})  # nothing is in the way
    control.close()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_no_permission(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    line = refused(tmp_path / "a.sock", {})
    tmp_path.chmod(0o700)
    assert line.endswith("no permission here; name a place of your own with --socket PATH")
