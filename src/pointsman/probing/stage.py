"""Makes the steps of a probe happen: on a real port, at a terminal, in real time.

How this works. One thread plays and asks. Another one, of the MIDI library, only notes down what
comes in. Whatever ends the probe (its own end, a signal, an error, a pulled plug), `_undo` sends
the note-offs and puts every control back first, and speaks later: the terminal may be gone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from pointsman.asking import Asking
from pointsman.errors import PointsmanError, PortError
from pointsman.folding import folded
from pointsman.ports import InputPort, OutputPort
from pointsman.probing.meter import Meter
from pointsman.probing.steps import (
    Ask,
    Away,
    Play,
    Probe,
    PutBack,
    ResultT,
    Save,
    Say,
    Step,
    Timed,
    Witness,
    perform,
)
from pointsman.probing.target import Ear, Target
from pointsman.probing.typed import TypedLines
from pointsman.probing.undo import Undo
from pointsman.signals import Told
from pointsman.units import NS_PER_S

LOOK_S = 0.25
"""How often the port is looked at: whether it is still there."""

BACK_WITHIN_S = 30.0
"""How long a pulled plug is waited for, to end what it has left behind."""

Saver = Callable[[Save], tuple[bool, str]]


class PortGone(PointsmanError):
    """The port has gone while we played; what had to be undone is told or done."""


class Stage:
    """An open output, perhaps an ear and a meter, and a person at a terminal."""

    def __init__(
        self,
        target: Target,
        port: OutputPort,
        typed: TypedLines,
        asking: Asking,
        meter: Meter | None = None,
        saver: Saver | None = None,
    ) -> None:
        self._target = target
        self._port = port
        self._typed = typed
        self._asking = asking
        self._meter = meter
        self._saver = saver
        self._undo_list = Undo()
        self._heard: list[Timed] = []
        self._began_ns = time.monotonic_ns()
        self._looked_s = 0.0

    def hear(self, data: bytes) -> None:
        """Note down a message that has come in, on whatever thread."""
        self._heard.append((time.monotonic_ns(), data))

    def perform(self, probe: Probe[ResultT]) -> ResultT:
        """Do every step, and undo what is left to undo, whatever happens.

        Raises PortGone when the port goes, Told when a signal ends it.
        """
        try:
            return perform(probe, self._do)
        except PortError as error:
            raise self._gone(error) from error
        finally:
            probe.close()
            self._undo_all()

    def _do(self, step: Step) -> Any:
        match step:
            case Say(text):
                self._asking.say(folded(text))
            case Ask(question, default):
                self._typed.forget()
                return self._asking.yes(question, default)
            case Play():
                return self._play(step)
            case Away(what, back):
                self._undo_list.away(what, back)
            case PutBack(what):
                for data in self._undo_list.back(what):
                    self._send(data)
                self._look()
                self._undo_list.done(what)
            case Save():
                return self._saver(step) if self._saver else (False, "")
        return None

    # ---- playing -----------------------------------------------------------------------------

    def _play(self, step: Play) -> Witness:
        self._heard.clear()
        if self._meter is not None:
            self._meter.forget()
        lines: list[tuple[int, str]] = []
        queue: list[tuple[int, bytes | str]] = sorted(
            [*step.marks, *step.events], key=lambda each: each[0]
        )
        begin_ns = time.monotonic_ns()
        for t_ns, what in [*queue, (step.length_ns, "")]:
            self._until(begin_ns, t_ns, lines, one=step.until_line)
            if step.until_line and (lines or self._left()):
                for data in self._undo_list.silence():
                    self._send(data)
                break
            if isinstance(what, bytes):
                self._send(what)
            elif what:
                self._asking.say(what)
        return Witness(
            tuple(lines),
            tuple((t - begin_ns, data) for t, data in list(self._heard)),
            tuple((t - begin_ns, x) for t, x in self._meter.since(begin_ns)) if self._meter else (),
            no_more=step.until_line and self._left(),
        )

    def _left(self) -> bool:
        """Whether the person at the terminal has gone."""
        return self._typed.is_terminal and self._typed.ended

    def _until(self, begin_ns: int, t_ns: int, lines: list[tuple[int, str]], *, one: bool) -> None:
        """Wait for a time of the step, or for a line if one is enough; look after the port."""
        while (left_ns := begin_ns + t_ns - time.monotonic_ns()) > 0:
            for line in self._typed.wait(min(left_ns / NS_PER_S, LOOK_S)):
                lines.append((time.monotonic_ns() - begin_ns, line))
            if one and (lines or self._left()):
                return
            if time.monotonic() - self._looked_s >= LOOK_S:
                self._look()

    def _look(self) -> None:
        self._looked_s = time.monotonic()
        if not self._port.alive():
            raise PortError(f"port '{self._target.full_name}' is gone")

    def _send(self, data: bytes) -> None:
        self._undo_list.sending(data)
        try:
            self._port.send(data, time.monotonic_ns() - self._began_ns)
        except OSError as error:
            what = f"port '{self._target.full_name}' fails ({error.strerror or error})"
            raise PortError(what) from error
        self._undo_list.sent(data)

    # ---- the end -----------------------------------------------------------------------------

    def _undo_all(self) -> None:
        try:
            self._undo()
        except Told:  # just while we undo it; it comes only once
            self._undo()
            raise

    def _undo(self) -> None:
        """Send what is left to undo; harmless when nothing is."""
        names = self._undo_list.names
        try:
            for data in self._undo_list.messages():
                self._send(data)
            self._look()
        except PortError as error:
            if names:
                self._tell(f"Not put back ({error}): {', '.join(names)}.")
            return
        for name in names:
            self._undo_list.done(name)
        if names:
            self._tell(f"Put back: {', '.join(names)}.")

    def _gone(self, error: Exception) -> PortGone:
        """What to say of a port that fails; waits for it a while, if there is something to undo."""
        if not self._undo_list.messages():
            return PortGone(f"{error}; plug it in again and start anew")
        self._tell(
            f"{error}. Plug it in again, so that its notes end and its controls go back "
            f"(waiting {BACK_WITHIN_S:.0f} s; Ctrl-C gives up)."
        )
        if self._is_back():
            self._undo_list.anew()
            self._undo()
            return PortGone(f"port '{self._target.full_name}' was gone; start anew")
        left = ", ".join(self._undo_list.names) or "nothing but notes"
        self._undo_list = Undo()
        return PortGone(f"{error}, and did not come back; not put back: {left}")

    def _is_back(self) -> bool:
        """Wait for the port, and open it again."""
        target = self._target
        with suppress(PortError, OSError):
            self._port.close()
        give_up = time.monotonic() + BACK_WITHIN_S
        while time.monotonic() < give_up:
            time.sleep(LOOK_S)
            with suppress(PortError, OSError):
                name = target.backend.find(target.address, target.base, is_input=False)
                self._port = target.backend.open_output(name)
                return True
        return False

    def close(self) -> None:
        """Close the port."""
        with suppress(PortError, OSError):
            self._port.close()

    def _tell(self, text: str) -> None:
        """Say something, if anybody can still hear it."""
        with suppress(OSError, ValueError):
            self._asking.say(folded(text))


@contextmanager
def open_stage(
    target: Target,
    ear: Ear,
    typed: TypedLines,
    asking: Asking,
    meter: Meter | None = None,
    saver: Saver | None = None,
) -> Iterator[Stage]:
    """Open the ports, and close them in the end. Raises PortError where one does not open."""
    port = target.backend.open_output(target.full_name)
    stage = Stage(target, port, typed, asking, meter, saver)
    source: InputPort | None = None
    try:
        if ear.full_name is not None:
            source = ear.backend.open_input(ear.full_name)
            source.start(stage.hear, lambda trouble: None)
        yield stage
    finally:
        if source is not None:
            with suppress(PortError, OSError):
                source.close()
        stage.close()
