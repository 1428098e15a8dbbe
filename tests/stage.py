"""A rig that plays on pseudo-terminals, and the page beside it: two real processes of ours."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from pointsman.midi_bytes import ByteParser

PATIENCE_S = 90
"""How long anything may take before a test gives up; nothing comes near it."""

RIG = """\
rig: harbour
input: {{port: "serial:{folder}/pier"}}
{songs}
outputs:
  tug:
    port: "serial:{folder}/tug"
    device: tug.yaml
    wire: din
    chain:
      - {{plugin: channel_remap, map: {{1: {channel}}}}}
      - {{plugin: note_limit, voices: 1, label: one voice}}
  gull:
    port: "null:"
    chain:
      - {{plugin: note_range, low: C2, high: C7}}
"""
SONGS = "songs: {rigs: {calm: calm.yaml, storm: storm.yaml}}"
DEVICE = """\
device: Tug
channel: 5
controls:
  cutoff: {cc: 74, home: 64}
"""
ON, OFF = "90 3C 64", "80 3C 40"
TUG_ON, TUG_OFF = "94 3C 64", "84 3C 40"


def until(true: Callable[[], Any]) -> Any:
    """Wait for something that is sure to come soon, and return it."""
    give_up = time.monotonic() + PATIENCE_S
    while not (found := true()):
        assert time.monotonic() < give_up, "it did not come"
        time.sleep(0.005)
    return found


class Cable:
    """A pseudo-terminal at a path; what is sent into it is kept, with when it came."""

    def __init__(self, path: Path) -> None:
        self._ends = os.openpty()
        path.symlink_to(os.ttyname(self._ends[1]))
        tty.setraw(self._ends[1])
        self.messages: list[tuple[float, str]] = []
        """When each came, and what it is."""
        self._thread = threading.Thread(target=self._hear, daemon=True)
        self._thread.start()

    def _hear(self) -> None:
        parser = ByteParser()  # a serial line has running status
        with suppress(OSError):
            while piece := os.read(self._ends[0], 4096):
                now_s = time.monotonic()
                whole = parser.feed(piece)
                self.messages += [(now_s, data.hex(" ").upper()) for data in whole]

    def send(self, *messages: str) -> None:
        for message in messages:
            os.write(self._ends[0], bytes.fromhex(message))

    @property
    def now(self) -> int:
        """The place in `messages` where the next will be."""
        return len(self.messages)

    def heard(self, message: str, since: int = 0) -> bool:
        """Whether it has come since then."""
        return any(message == data for _, data in self.messages[since:])

    def close(self) -> None:
        for end in reversed(self._ends):
            os.close(end)


class Process:
    """One of our programs, until `end`."""

    def __init__(self, *arguments: str | Path, ready: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "pointsman.cli", *map(str, arguments)],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        until(lambda: self.told(ready) or self._process.poll() is not None)
        assert self.told(ready), self.lines

    @property
    def pid(self) -> int:
        return self._process.pid

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.lines.append(line.rstrip("\n"))

    def told(self, words: str) -> str:
        """The line with these words in it, or nothing."""
        return next((line for line in list(self.lines) if words in line), "")

    def end(self, number: int = signal.SIGTERM) -> int:
        """Its exit code."""
        if self._process.poll() is None:
            self._process.send_signal(number)
        code = self._process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        if self._process.stdout is not None:
            self._process.stdout.close()
        return code


class Answer:
    """What the page has answered."""

    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status = response.status
        self.headers = response.headers
        self.body = response.read()

    @property
    def said(self) -> dict[str, Any]:
        found = json.loads(self.body)
        assert isinstance(found, dict)
        return found


class Page(Process):
    """`pointsman page`."""

    def __init__(self, socket: Path, *arguments: str | Path) -> None:
        super().__init__("page", "--socket", socket, *arguments, ready="The page is at ")
        self.url = self.told("The page is at ").split()[4]
        host, _, port = self.url.removeprefix("http://").rstrip("/").rpartition(":")
        self.address, self.port = host.strip("[]"), int(port)

    @property
    def host(self) -> str:
        """As it stands in a request."""
        return self.url.removeprefix("http://").rstrip("/")

    def ask(
        self, path: str, method: str = "GET", body: bytes | None = None, **headers: str | None
    ) -> Answer:
        """One request, with headers as a browser has them; None leaves one out."""
        given = {"Host": self.host}
        if method == "POST":
            given |= {
                "Origin": f"http://{self.host}",
                "Sec-Fetch-Site": "same-origin",
                "Content-Type": "application/json",
            }
        changed = {name.replace("_", "-"): value for name, value in headers.items()}
        told = {name: value for name, value in (given | changed).items() if value is not None}
        line = http.client.HTTPConnection(self.address, self.port, timeout=PATIENCE_S)
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in told.items():
                line.putheader(name, value)
            if body is not None and "Content-Length" not in told:
                line.putheader("Content-Length", str(len(body)))
            line.endheaders()
            with suppress(BrokenPipeError, ConnectionResetError):
                if body:
                    line.send(body)
            return Answer(line.getresponse())
        finally:
            line.close()

    def press(self, what: dict[str, Any], **headers: str | None) -> Answer:
        """What a button does."""
        return self.ask("/press", "POST", json.dumps(what).encode(), **headers)


class Stage:
    """The rig, its cables, and the service that plays it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.socket = folder / "c" / "control.sock"
        self.rig = folder / "harbour.yaml"
        (folder / "tug.yaml").write_text(DEVICE)
        self.write()
        for song in ("calm", "storm"):
            text = self.text("").replace("rig: harbour", f"rig: {song}")
            (folder / f"{song}.yaml").write_text(text)
        self.pier, self.tug = Cable(folder / "pier"), Cable(folder / "tug")
        self.service: Process
        self.start()

    def text(self, songs: str = SONGS, channel: int = 5) -> str:
        return RIG.format(folder=self.folder, songs=songs, channel=channel)

    def write(self, **more: Any) -> None:
        """The rig, or another."""
        self.rig.write_text(self.text(**more))

    def start(self) -> None:
        self.service = Process("run", self.rig, "--socket", self.socket, ready="ready")

    def plays_on(self) -> None:
        """See that a note and its end go through, now."""
        since = self.tug.now
        self.pier.send(ON, OFF)
        until(lambda: self.tug.heard(TUG_ON, since) and self.tug.heard(TUG_OFF, since))

    def close(self) -> None:
        assert self.service.end() == 0
        self.pier.close()
        self.tug.close()


@contextmanager
def staged(folder: Path) -> Iterator[Stage]:
    """A stage, until the end of the block."""
    stage = Stage(folder)
    try:
        yield stage
    finally:
        stage.close()


@contextmanager
def paged(stage: Stage, *arguments: str | Path) -> Iterator[Page]:
    """The page of a stage, on a port of its own."""
    page = Page(stage.socket, *arguments)
    try:
        yield page
    finally:
        code = page.end()
    assert code == 0, page.lines
