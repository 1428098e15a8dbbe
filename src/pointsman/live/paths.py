"""Where the control socket is: for the service that binds it, and for clients that look for it.

How this works. The service takes a lock on a file beside the socket before it touches the socket.
The kernel drops that lock with the process, however it ends, so a socket file whose lock is free
is a left-over and is replaced. Only the owner can reach the socket: its folder is 0700, it is 0600.
"""

from __future__ import annotations

import errno
import fcntl
import os
import socket
import stat
import struct
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pointsman.errors import PointsmanError

SOCKET_NAME = "control.sock"
VARIABLE = "POINTSMAN_SOCKET"
SYSTEM_SOCKET = Path("/run/pointsman") / SOCKET_NAME
LONGEST_PATH = 107
"""Bytes of a socket's path: `sun_path` has 108 with the zero at its end (Linux, unix(7))."""

_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_WRITABLE_BY_OTHERS = stat.S_IWGRP | stat.S_IWOTH
_WAITING_CLIENTS = 64
"""Clients that may wait to be taken: more than are served at once."""


class SocketError(PointsmanError):
    """The control socket cannot be had; the text is one line with the place and the remedy."""


class InUse(SocketError):
    """Another service answers on this socket; `pid` is its process, None where it is unknown."""

    def __init__(self, path: Path, pid: int | None) -> None:
        self.path = path
        self.pid = pid
        who = f"process {pid}" if pid else "another process"
        super().__init__(
            f"{path}: in use by {who}, which runs a rig already; "
            "end that one first, or give this one a place of its own with --socket PATH"
        )


def service_path(asked: Path | None = None, environ: Mapping[str, str] = os.environ) -> Path:
    """Where a service binds its socket: as asked for, by the environment, or in a folder of ours.

    `$POINTSMAN_SOCKET`, else `$RUNTIME_DIRECTORY` (set by systemd), else `$XDG_RUNTIME_DIR` where
    it is a folder of this user (as the XDG Base Directory Specification demands of it), else /tmp.
    """
    told = _told(asked, environ)
    if told is not None:
        return told
    if environ.get("RUNTIME_DIRECTORY"):  # several are separated by colons: systemd.exec(5)
        return Path(environ["RUNTIME_DIRECTORY"].split(":")[0]) / SOCKET_NAME
    runtime = environ.get("XDG_RUNTIME_DIR")
    if runtime and _is_own_folder(Path(runtime)):
        return Path(runtime) / "pointsman" / SOCKET_NAME
    return _in_tmp()


def client_paths(
    asked: Path | None = None, environ: Mapping[str, str] = os.environ
) -> tuple[Path, ...]:
    """Where a client looks, in this order; only there if it was told."""
    told = _told(asked, environ)
    if told is not None:
        return (told,)
    runtime = environ.get("XDG_RUNTIME_DIR")
    of_user = (Path(runtime) / "pointsman" / SOCKET_NAME,) if runtime else ()
    return (*of_user, SYSTEM_SOCKET, _in_tmp())


def _told(asked: Path | None, environ: Mapping[str, str]) -> Path | None:
    if asked is not None:
        return asked
    return Path(environ[VARIABLE]) if environ.get(VARIABLE) else None


def _in_tmp() -> Path:
    return Path("/tmp") / f"pointsman-{os.geteuid()}" / SOCKET_NAME


def _is_own_folder(path: Path) -> bool:
    try:
        found = path.stat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.geteuid()


@dataclass
class ControlSocket:
    """The bound socket and the lock that makes it ours, until `close`."""

    path: Path
    listening: socket.socket
    _lock_fd: int
    _identity: tuple[int, int]

    def close(self) -> None:
        """Close and remove the socket, if the file is still the one that we made."""
        self.listening.close()
        if self._lock_fd < 0:
            return
        with suppress(OSError):
            if _identity(self.path) == self._identity:
                self.path.unlink()
        with suppress(OSError):
            os.ftruncate(self._lock_fd, 0)  # the file stays: to remove it would race for the lock
        with suppress(OSError):  # closed it is all the same (close(2)), and the run ended well
            os.close(self._lock_fd)
        self._lock_fd = -1


def bind_control(
    asked: Path | None = None, environ: Mapping[str, str] = os.environ
) -> ControlSocket:
    """Make the folder, take the lock, and listen on the socket; a left-over socket is replaced.

    Raises InUse when another service has it, else SocketError.
    """
    path = service_path(asked, environ)
    length = len(os.fsencode(path))
    if length > LONGEST_PATH:
        raise SocketError(
            f"{path}: {length} bytes long, and a socket's path has at most {LONGEST_PATH}; "
            "name a shorter one with --socket PATH"
        )
    try:
        _check_folder(path.parent, private=_told(asked, environ) is None)
        lock_fd = _lock(path)
        try:
            _clear(path)
            listening = _listen(path)
        except BaseException:
            os.close(lock_fd)
            raise
        return ControlSocket(path, listening, lock_fd, _identity(path))
    except OSError as error:
        raise SocketError(_said(error, path)) from None


def _check_folder(folder: Path, *, private: bool) -> None:
    """Make the folder where there is none; one that others could play tricks in is refused.

    `private`: we chose the place, so nobody else has a right to it. A place that was asked for may
    be shared, as long as others cannot replace what is not theirs.
    """
    with suppress(FileExistsError):
        folder.mkdir(0o700)
    found = folder.lstat() if private else folder.stat()
    mode = found.st_mode
    if not stat.S_ISDIR(mode):
        what = "a link" if stat.S_ISLNK(mode) else "no folder"
        raise SocketError(f"{folder}: {what}, and must be a folder of this user's own; remove it")
    if private and found.st_uid != os.geteuid():
        raise SocketError(
            f"{folder}: belongs to another user; name another place with --socket PATH"
        )
    if private and mode & _OTHERS:
        raise SocketError(f"{folder}: open to other users; chmod 700 it first")
    if mode & _WRITABLE_BY_OTHERS and not mode & stat.S_ISVTX:
        raise SocketError(f"{folder}: others may write there; chmod go-w it first")


def _lock(path: Path) -> int:
    lock_path = path.with_name(f"{path.stem}.lock")
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    lock_fd = os.open(lock_path, flags, 0o600)
    try:
        if not stat.S_ISREG(os.fstat(lock_fd).st_mode):
            raise SocketError(f"{lock_path}: no plain file; remove it")
        try:
            fcntl.flock(lock_fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InUse(path, _pid_in(lock_fd)) from None
        os.ftruncate(lock_fd, 0)
        os.pwrite(lock_fd, b"%d\n" % os.getpid(), 0)
    except BaseException:
        os.close(lock_fd)
        raise
    return lock_fd


def _pid_in(lock_fd: int) -> int | None:
    text = os.pread(lock_fd, 32, 0).strip()
    return int(text) if text.isdigit() else None


def _clear(path: Path) -> None:
    """Remove a socket that an earlier run left; whatever else stands there is not ours."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise SocketError(f"{path}: there is something that is no socket; name another place")
    pid = _who_listens(path)
    if pid is not None:
        raise InUse(path, pid)
    path.unlink()


def _who_listens(path: Path) -> int | None:
    """The living process that bound the socket, or None.

    The lock says the same, unless somebody removed its file. That a connection succeeds does not
    say it: for a moment after the service was killed its desk still holds the socket.
    """
    with socket.socket(socket.AF_UNIX) as probe:
        probe.setblocking(False)
        try:
            probe.connect(os.fspath(path))
            told = probe.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        except OSError:
            return None
    pid: int = struct.unpack("3i", told)[0]
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return None
    except PermissionError:
        pass
    return pid


def _listen(path: Path) -> socket.socket:
    listening = socket.socket(socket.AF_UNIX)
    try:
        before = os.umask(_OTHERS | stat.S_IXUSR)  # never open to others, not for a moment
        try:
            listening.bind(os.fspath(path))
        finally:
            os.umask(before)
        listening.listen(_WAITING_CLIENTS)
        listening.setblocking(False)
    except BaseException:
        listening.close()
        raise
    return listening


def _identity(path: Path) -> tuple[int, int]:
    found = path.lstat()
    return found.st_dev, found.st_ino


_REMEDIES = {
    errno.EACCES: "no permission here; name a place of your own with --socket PATH",
    errno.EPERM: "no permission here; name a place of your own with --socket PATH",
    errno.EROFS: "on a read-only file system; name a place that can be written with --socket PATH",
    errno.ENOENT: "its folder is not there; make it first, or name another with --socket PATH",
    errno.ENOTDIR: "a part of its path is no folder; name another place with --socket PATH",
    errno.ELOOP: "a link stands there; remove it, or name another place with --socket PATH",
    errno.EMFILE: "too many files are open; raise the limit (ulimit -n) and start again",
    errno.ENFILE: "too many files are open on this machine; end other programs",
    errno.ENOMEM: "out of memory; end other programs",
    errno.ENOSPC: "the disk is full; make room, or name another place with --socket PATH",
}


def _said(error: OSError, path: Path) -> str:
    where = error.filename or path
    if error.errno in _REMEDIES:
        return f"{where}: {_REMEDIES[error.errno]}"
    return f"{where}: {error.strerror}; name another place for the socket with --socket PATH"
