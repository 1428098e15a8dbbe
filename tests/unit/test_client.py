"""Clients of the control socket: whatever stands at the other end, one clear line comes of it."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from desk_kit import Harbour, harbour

from pointsman.errors import PointsmanError
from pointsman.live import client, paths
from pointsman.live.client import NoService, ask, tap

STATUS = {"do": "status"}


@pytest.fixture(autouse=True)
def nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An environment in which no service runs."""
    monkeypatch.delenv("POINTSMAN_SOCKET", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setattr(paths, "SYSTEM_SOCKET", tmp_path / "system" / "control.sock")
    monkeypatch.setattr(paths, "_in_tmp", lambda: tmp_path / "tmp" / "control.sock")


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Harbour]:
    with harbour(tmp_path) as found:
        yield found


Behave = Callable[[socket.socket], object]


@pytest.fixture
def stranger(tmp_path: Path) -> Iterator[Callable[[Behave], Path]]:
    """Puts something at the end of a socket that does with one connection as it is told."""
    listening = socket.socket(socket.AF_UNIX)
    threads: list[threading.Thread] = []

    def start(behave: Behave) -> Path:
        path = tmp_path / "stranger.sock"
        listening.bind(str(path))
        listening.listen(1)

        def run() -> None:
            connection, _ = listening.accept()
            with connection:
                behave(connection)

        threads.append(threading.Thread(target=run))
        threads[0].start()
        return path

    yield start
    for thread in threads:
        thread.join()
    listening.close()


def refused(path: Path | None) -> str:
    """The one line that a client gets."""
    with pytest.raises(NoService) as caught:
        ask(STATUS, path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_no_service_says_where_it_was_looked_for(tmp_path: Path) -> None:
    assert refused(None) == (
        f"no service answers (looked for {tmp_path}/run/pointsman/control.sock, "
        f"{tmp_path}/system/control.sock, {tmp_path}/tmp/control.sock); "
        "start one: pointsman run RIG, or say where it is with --socket PATH"
    )


def test_a_place_that_was_told_is_the_only_one(
    place: Harbour, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paths, "SYSTEM_SOCKET", place.path)
    assert f"(looked for {tmp_path}/none.sock);" in refused(tmp_path / "none.sock")
    monkeypatch.setenv("POINTSMAN_SOCKET", str(tmp_path / "told.sock"))
    assert f"(looked for {tmp_path}/told.sock);" in refused(None)


def test_what_a_dead_service_left_is_passed_over(
    place: Harbour, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = tmp_path / "run" / "pointsman" / "control.sock"
    left.parent.mkdir(parents=True)
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(left))
    monkeypatch.setattr(paths, "SYSTEM_SOCKET", place.path)
    answers = threading.Thread(target=place.answer, args=("status",), kwargs={"n": 1})
    answers.start()
    assert ask(STATUS) == {"ok": True, "n": 1}
    answers.join()


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Closed(socket.socket):
        def connect(self, address: object) -> None:
            if str(address).startswith(str(tmp_path / "system")):
                raise PermissionError(13, "Permission denied")
            super().connect(address)  # type: ignore[arg-type]

    monkeypatch.setattr(socket, "socket", Closed)
    assert refused(None) == (
        f"{tmp_path}/system/control.sock: no permission; "
        "ask as the user that runs the service, or with sudo"
    )


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is forbidden to root")
def test_no_permission_on_a_real_socket(place: Harbour) -> None:
    place.path.chmod(0)
    assert "no permission" in refused(place.path)


def test_a_path_that_is_too_long(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 120)
    assert refused(path).startswith(f"{path}: longer than the 107 bytes that a socket's path may")


def test_a_service_that_hangs(
    stranger: Callable[[Behave], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client, "ANSWER_WITHIN_S", 0.2)
    over = threading.Event()
    path = stranger(lambda _: over.wait())
    line = refused(path)
    over.set()
    assert line == (
        f"{path}: the service hangs; end it (its process is in stranger.lock beside the socket) "
        "and start it again"
    )


def test_a_service_whose_queue_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(client, "ANSWER_WITHIN_S", 0.2)
    path = tmp_path / "full.sock"
    with socket.socket(socket.AF_UNIX) as listening, socket.socket(socket.AF_UNIX) as first:
        listening.bind(str(path))
        listening.listen(0)
        first.connect(str(path))
        assert "the service hangs" in refused(path)


NO_SERVICE = {"text": b"HTTP/1.1 400 Bad Request\r\n", "a list": b"[]\n", "bytes": b"\xff\n"}


@pytest.mark.parametrize("said", NO_SERVICE.values(), ids=NO_SERVICE)
def test_an_answer_that_is_no_object(stranger: Callable[[Behave], Path], said: bytes) -> None:
    path = stranger(lambda connection: connection.sendall(said))
    assert refused(path) == (
        f"{path}: what answers there is no Pointsman service; say --socket PATH"
    )


def test_a_service_that_goes_before_it_answers(stranger: Callable[[Behave], Path]) -> None:
    path = stranger(lambda connection: connection.sendall(b'{"ok": tr'))
    line = refused(path)
    assert line.startswith(f"{path}: the service has gone")


def test_events_come_until_the_service_ends(place: Harbour) -> None:
    events = tap(place.path)

    def serve() -> None:
        place.next("tap")
        place.link.push([("in", 0, b"\xf8"), ("in", 10**9, b"\xfa")])
        place.quiet(0.2)
        place.link.close()

    service = threading.Thread(target=serve)
    service.start()
    assert [event["in"] for event in events] == ["F8", "FA"]
    service.join()


def test_events_that_are_not_to_be_had(stranger: Callable[[Behave], Path]) -> None:
    path = stranger(lambda connection: connection.sendall(b'{"ok": false, "error": "fog"}\n'))
    with pytest.raises(PointsmanError, match=r"^fog$"):
        next(tap(path))


def test_events_of_a_service_that_goes_at_once(stranger: Callable[[Behave], Path]) -> None:
    path = stranger(lambda connection: connection.recv(100))
    with pytest.raises(PointsmanError, match="no events to be had"):
        next(tap(path))
