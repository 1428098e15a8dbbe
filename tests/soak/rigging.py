"""What the soak scripts share: a rig that runs as players run it, and what it costs the machine."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Cost:
    """What a process holds: resident memory in KiB, threads, open files."""

    memory_kib: int
    threads: int
    files: int

    @classmethod
    def of(cls, pid: int) -> Cost:
        """What it holds now."""
        status = Path(f"/proc/{pid}/status").read_text("utf-8")
        lines = dict(line.split(":", 1) for line in status.splitlines())
        return cls(
            int(lines["VmRSS"].split()[0]),
            int(lines["Threads"]),
            len(os.listdir(f"/proc/{pid}/fd")),
        )


class RunningRig:
    """A `pointsman run` of its own, asked through its control socket."""

    def __init__(self, process: subprocess.Popen[str], control: Path, log: Path) -> None:
        self.process = process
        self.pid = process.pid
        self._control = control
        self._log = log

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """Ask once; whatever comes back. One that hangs is ended, and shows where it hangs."""
        try:
            return self._asked(request)
        except TimeoutError:
            self.process.send_signal(signal.SIGABRT)  # PYTHONFAULTHANDLER shows every thread
            self.process.wait()
            raise SystemExit(f"it hangs:\n{self._log.read_text('utf-8')[-8000:]}") from None

    def _asked(self, request: dict[str, Any]) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(PATIENCE_S)
            line.connect(str(self._control))
            line.sendall(json.dumps(request).encode() + b"\n")
            answer = b""
            while not answer.endswith(b"\n"):
                part = line.recv(1 << 16)
                if not part:
                    raise ConnectionError("the service hung up")
                answer += part
        read: dict[str, Any] = json.loads(answer)
        return read

    def status(self) -> dict[str, Any]:
        """How it is."""
        return self.ask({"do": "status"})

    @property
    def log(self) -> list[dict[str, Any]]:
        """Its log so far."""
        lines = self._log.read_text("utf-8").splitlines()
        return [json.loads(line) for line in lines if line.startswith("{")]

    @property
    def other_lines(self) -> list[str]:
        """What it said on stderr that is no log line, such as a traceback."""
        return [line for line in self._log.read_text("utf-8").splitlines() if line[:1] != "{"]

    @property
    def errors(self) -> list[dict[str, Any]]:
        """What its log has of errors."""
        return [line for line in self.log if line["level"] == "error"]


@contextmanager
def running(rig: str, folder: Path, *options: str) -> Iterator[RunningRig]:
    """Write a rig, run it until the block ends, and see that it ends as it should."""
    path, control, log = folder / "rig.yaml", folder / "c.sock", folder / "log"
    path.write_text(rig, "utf-8")
    command = [sys.executable, "-m", "pointsman.cli", "run", str(path), "--socket", str(control)]
    with log.open("wb") as stderr:
        process = subprocess.Popen(
            [*command, *options],
            stderr=stderr,
            text=True,
            env={**os.environ, "PYTHONFAULTHANDLER": "1"},
        )
    run = RunningRig(process, control, log)
    try:
        until(lambda: ready(run), "ready")
        yield run
        process.send_signal(signal.SIGTERM)
        code = process.wait(PATIENCE_S)
        if code:
            raise SystemExit(f"it ended with {code}: {log.read_text('utf-8')}")
    finally:
        process.kill()
        process.wait()


def ready(run: RunningRig) -> bool:
    """Whether it has said that it is ready."""
    if run.process.poll() is not None:
        raise SystemExit(f"it did not start: {run._log.read_text('utf-8')}")
    return any(line["event"] == "ready" for line in run.log)


def until(true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> float:
    """Wait for something; returns how long it took in seconds."""
    begun = time.monotonic()
    while not true():
        if time.monotonic() - begun > patience_s:
            raise SystemExit(f"it did not come: {what}")
        time.sleep(0.02)
    return time.monotonic() - begun


def find(midi: Any, name: str) -> int:
    """The number of the port in whose name this occurs, as soon as there is one."""
    found: list[int] = []

    def look() -> bool:
        found[:] = [n for n, port in enumerate(midi.get_ports()) if name in port]
        return bool(found)

    until(look, name)
    return found[0]


def sound_of(events: Sequence[bytes], sounding: set[tuple[int, int]]) -> None:
    """What a synth has sounding after these messages."""
    for data in events:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90 and data[2]:
            sounding.add((channel, data[1]))
        elif kind in (0x80, 0x90):
            sounding.discard((channel, data[1]))
