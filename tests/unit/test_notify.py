"""What systemd is told, at the other end of a real socket; the rules are those of sd_notify(3)."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pointsman.live.notify import Notifier


@pytest.fixture(params=["path", "abstract"])
def listener(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """NOTIFY_SOCKET as systemd sets it, and its own end of that socket."""
    is_path = request.param == "path"
    name = str(tmp_path / "notify") if is_path else f"@pointsman-{os.getpid()}-{time.time_ns()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as opened:
        opened.bind(name if is_path else f"\0{name[1:]}")
        opened.settimeout(5)
        yield name, opened


def test_each_call_is_one_datagram(listener: tuple[str, socket.socket]) -> None:
    name, opened = listener
    notifier = Notifier({"NOTIFY_SOCKET": name})
    notifier.ready("rig harbour")
    notifier.status("tug lost")
    notifier.feed()
    notifier.stopping()
    said = [opened.recv(4096) for _ in range(4)]
    assert said == [
        b"READY=1\nSTATUS=rig harbour",
        b"STATUS=tug lost",
        b"WATCHDOG=1",
        b"STOPPING=1",
    ]


def test_the_last_word_is_that_it_stops(listener: tuple[str, socket.socket]) -> None:
    """A reload may be at its end on another thread just then. The watchdog wants its due."""
    name, opened = listener
    notifier = Notifier({"NOTIFY_SOCKET": name})
    notifier.reloading()
    notifier.stopping()
    notifier.ready("rig harbour")
    notifier.feed()
    said = [opened.recv(4096).split(b"\n")[0] for _ in range(3)]
    assert said == [b"RELOADING=1", b"STOPPING=1", b"WATCHDOG=1"]


def test_a_reload_says_when_it_began(listener: tuple[str, socket.socket]) -> None:
    """Newer versions demand it: CLOCK_MONOTONIC in microseconds, to pair RELOADING and READY."""
    name, opened = listener
    before_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    Notifier({"NOTIFY_SOCKET": name}).reloading()
    after_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    first, second = opened.recv(4096).decode().split("\n")
    key, value = second.split("=")
    assert (first, key) == ("RELOADING=1", "MONOTONIC_USEC")
    assert before_us <= int(value) <= after_us


def test_a_status_stays_one_line(listener: tuple[str, socket.socket]) -> None:
    """Or a rig's name could tell systemd whatever it likes."""
    name, opened = listener
    Notifier({"NOTIFY_SOCKET": name}).ready("tug\nMAINPID=1\udcff")
    assert opened.recv(4096) == rb"READY=1" + b"\n" + rb"STATUS=tug\nMAINPID=1\udcff"


@pytest.mark.parametrize(
    "environ",
    [
        {},
        {"NOTIFY_SOCKET": ""},
        {"NOTIFY_SOCKET": "@"},
        {"NOTIFY_SOCKET": "/nowhere/notify"},
        {"NOTIFY_SOCKET": "relative"},
        {"NOTIFY_SOCKET": "vsock:2:1234"},
        {"NOTIFY_SOCKET": "/" + "x" * 200},
        {"NOTIFY_SOCKET": "/with\0zero"},
    ],
    ids=lambda environ: repr(environ.get("NOTIFY_SOCKET", "none"))[:20],
)
def test_nobody_there_is_no_trouble(environ: dict[str, str]) -> None:
    notifier = Notifier(environ)
    notifier.ready("rig harbour")
    notifier.reloading()
    notifier.feed()
    notifier.stopping()
    assert notifier.watchdog_s is None


def test_one_who_does_not_listen_holds_us_up_only_briefly(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "notify"))
        deaf.setblocking(False)
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        for _ in range(20):  # the queue takes 10 (net.unix.max_dgram_qlen), or a few hundred
            notifier.feed()
        while True:
            try:
                deaf.recv(4096)
            except BlockingIOError:
                break
        notifier.status("heard again")
        assert deaf.recv(4096) == b"STATUS=heard again"


OWN = str(os.getpid())
OTHER = str(os.getpid() + 1)


@pytest.mark.parametrize(
    ("environ", "watchdog_s"),
    [
        ({"WATCHDOG_USEC": "10000000"}, 10.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": OWN}, 10.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": OTHER}, None),
        ({"WATCHDOG_USEC": "500"}, 0.0005),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": "ten"}, None),
        ({"WATCHDOG_USEC": "²"}, None),
        ({"WATCHDOG_PID": OWN}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_ours_or_nobodys(environ: dict[str, str], watchdog_s: float | None) -> None:
    """sd_watchdog_enabled(3): WATCHDOG_PID names the process that is to feed it."""
    assert Notifier(environ).watchdog_s == watchdog_s
