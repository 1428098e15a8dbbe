"""The one connection to the service through which all open pages look: asked many times a second.

It runs in a thread of its own, so that a service that hangs keeps no page from being served, and
only while a page is open. The pulse is what the service can answer cheaply; the whole status is
asked for twice a second, and at once where it must have changed.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from pointsman.errors import PointsmanError, said
from pointsman.live.client import Line
from pointsman.page.state import Answer, OtherVersion, View, now_view, rig_view

PULSE_S = 0.05
"""Half of the tenth of a second in which the page must show what happens on the wire."""

STATUS_S = 0.5
AGAIN_S = 0.5
"""How long a service that is not there is left alone before it is tried again."""


class Upstream:
    """Looks at the service until `stop`, from the thread that it starts.

    `tell` is called from that thread: ("rig", view) and ("now", view) as they are looked at, and
    ("lost", {"why": line}) when the service does not answer any more, or not yet.
    """

    def __init__(self, path: Path | None, tell: Callable[[str, View], None]) -> None:
        self._path = path
        self._tell = tell
        self._stopping = threading.Event()
        self._hurry = threading.Event()
        self._thread = threading.Thread(target=self._run, name="upstream", daemon=True)
        self._thread.start()

    def hurry(self) -> None:
        """Look at everything soon: a button has been pressed."""
        self._hurry.set()

    def stop(self) -> None:
        """Look no more. The thread ends by itself; what it still finds out is told to nobody."""
        self._stopping.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with Line(self._path) as line:
                    self._look(line)
            except (PointsmanError, OtherVersion) as error:
                self._lose(" ".join(str(error).split()))
            except Exception as error:  # whatever it is, the pages must not take old for new
                self._lose(f"the page failed: {said(error)}")

    def _lose(self, why: str) -> None:
        self._say("lost", {"why": why})
        self._stopping.wait(AGAIN_S)

    def _look(self, line: Line) -> None:
        status_s, names = 0.0, None
        while not self._stopping.is_set():
            began_s = time.monotonic()
            now = now_view(_asked(line, "pulse"))
            seen = [output["name"] for output in now["outputs"]]
            if began_s >= status_s or seen != names or self._hurry.is_set():
                self._hurry.clear()
                self._say("rig", rig_view(_asked(line, "status")))
                status_s, names = began_s + STATUS_S, seen
            self._say("now", now)
            self._stopping.wait(max(began_s + PULSE_S - time.monotonic(), 0))

    def _say(self, kind: str, view: View) -> None:
        if not self._stopping.is_set():
            with suppress(RuntimeError):  # the loop that is told has ended
                self._tell(kind, view)


def _asked(line: Line, do: str) -> Answer:
    answer = line.ask({"do": do})
    if answer.get("ok"):
        return answer
    if answer.get("wrong"):  # it does not know the pulse
        raise OtherVersion("the service is of an older version; restart it")
    raise PointsmanError(str(answer.get("error", "the service refuses, and does not say why")))
