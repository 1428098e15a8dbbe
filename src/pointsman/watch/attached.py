"""A source of items: a running service, through its control socket.

It asks for the status every second, so that what sounds is right even if events were lost, and
attaches again when the service has ended and another listens in the same place.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from pointsman.errors import PointsmanError, UsageError
from pointsman.live.client import NoService, Tap
from pointsman.rig import Rig
from pointsman.units import NS_PER_S
from pointsman.watch.items import Event, Item, Lost, Now, Remark
from pointsman.watch.setting import Place, Setting, outputs_of

LOOK_S = 1.0
"""How often the status is asked for, and a service that has ended looked for."""

_OTHER_VERSION = "the service is of another version; restart it, and watch again"


class Attached:
    """Hands over what a running service tells. Raises NoService, or PointsmanError, like `Tap`.

    With `rig` it must be that one which runs; UsageError else.
    """

    def __init__(self, path: Path | None = None, rig: str | os.PathLike[str] | None = None) -> None:
        self._tap: Tap | None = None
        self._looks_s = 0.0
        self._begun_s = 0.0
        """When the run began, as far as its events tell, by the monotonic clock."""
        self._asked = False
        """Whether an answer to that is still to come."""
        self._names = _Names()
        self._bytes: dict[str, bytes] = {}
        self.setting = self._attach(path, rig)

    @property
    def ended(self) -> bool:
        """Never: another service may come."""
        return False

    @property
    def fault(self) -> None:
        """None: what ends a service is told as it happens."""

    def _attach(self, path: Path | None, rig: str | os.PathLike[str] | None) -> Setting:
        tap = Tap(path)
        try:
            status = tap.ask({"do": "status"})
            if not status.get("ok"):
                raise PointsmanError(str(status.get("error", _OTHER_VERSION)))
            with _of_this_version():
                if rig is not None:
                    _expect(rig, status)
                setting = self._setting(status)  # may take a while: the events begin after that
                begun_s = time.monotonic() - status["running_s"]
            tap.begin()
        except BaseException:
            tap.close()
            raise
        self._tap, self.path = tap, tap.place
        self._begun_s = begun_s
        self._looks_s, self._asked = 0.0, False
        return setting

    # ---- what a view asks of a source ------------------------------------------------------------

    def fileno(self) -> int | None:
        """For `select`; None while there is nothing to wait for."""
        return None if self._tap is None else self._tap.fileno()

    @property
    def wait_s(self) -> float:
        """After how long to call `take` though nothing has come, in seconds."""
        return max(self._looks_s - time.monotonic(), 0)

    @property
    def now_ns(self) -> int:
        """The time since the run began."""
        return max(round((time.monotonic() - self._begun_s) * NS_PER_S), 0)

    def take(self) -> list[Item]:
        """What has happened since the last time."""
        now_s = time.monotonic()
        items: list[Item] = []
        if self._tap is None:
            if now_s >= self._looks_s:
                self._looks_s = now_s + LOOK_S
                items += self._again()
            return items
        with _of_this_version():
            for line in self._tap.take():
                self._line(line, items, now_s)
        if self._tap.ended:
            self._tap.close()
            self._tap = None
            self._looks_s = now_s + LOOK_S
            items.append(Remark("the service has ended; waiting for it to come back"))
            items.append(Now(dict.fromkeys(self.setting.outputs, frozenset()), False))
        elif now_s >= self._looks_s:
            self._looks_s = now_s + LOOK_S
            if not self._asked:
                self._asked = True
                self._tap.say({"do": "status"})
        return items

    def close(self) -> None:
        """Let the service go on by itself."""
        if self._tap is not None:
            self._tap.close()

    # ---- inside ----------------------------------------------------------------------------------

    def _again(self) -> list[Item]:
        try:
            self.setting = self._attach(self.path, None)
        except NoService:
            return []
        except PointsmanError as error:
            return [Remark(f"not attached: {error}")]
        return [self.setting, Remark(f"attached again: {self.setting.title}")]

    def _line(self, line: dict[str, Any], items: list[Item], now_s: float) -> None:
        if "ok" in line:
            self._status(line, items)
        elif "lost" in line:
            items.append(Lost(int(line["lost"])))
        else:
            self._event(line, items, now_s)

    def _event(self, line: dict[str, Any], items: list[Item], now_s: float) -> None:
        t_s = line["t"]
        if now_s - t_s < self._begun_s:
            self._begun_s = now_s - t_s
        t_ns = round(t_s * 1_000_000) * 1000
        came = line.get("in")
        if came is not None:
            items.append(Event(t_ns, None, self._data(came)))
        for output, messages in line["out"].items():
            for message in messages:
                items.append(Event(t_ns, output, self._data(message), came is None))

    def _data(self, text: str) -> bytes:
        data = self._bytes.get(text)
        if data is None:
            if len(self._bytes) > 4096:
                self._bytes.clear()
            data = self._bytes[text] = bytes.fromhex(text)
        return data

    def _status(self, status: dict[str, Any], items: list[Item]) -> None:
        self._asked = False
        if not status["ok"]:
            items.append(Remark(f"no status: {status.get('error')}"))
            return
        setting = self._setting(status)
        if setting != self.setting:
            self.setting = setting
            items.append(setting)
        sounding = {
            name: frozenset((channel, note) for channel, note in output["sounding"])
            for name, output in status["outputs"].items()
        }
        song = status["transport"]
        items.append(Now(sounding, song["playing"], song["bar"]))

    def _setting(self, status: dict[str, Any]) -> Setting:
        """What a status says is watched, with the devices of the rig file that it names."""
        rig = self._names.rig_of(status)
        devices = outputs_of(rig) if rig is not None else {}
        outputs = {}
        for name, output in status["outputs"].items():
            known = devices.get(name)
            rate = (output["wire"] or {}).get("rate")
            waits = rate is not None or (known is not None and known.waits)
            device = known.device if known is not None else None
            outputs[name] = Place(_port(output), output["state"], rate, device, waits)
        song = f", song {status['song']}" if status["song"] else ""
        unread = "" if rig is not None else "; its rig file cannot be read: no names of controls"
        return Setting(
            f"{status['rig']}{song}, running as process {status['pid']}{unread}",
            {
                "watching": "service",
                **{key: status[key] for key in ("rig", "path", "song", "pid")},
                "input": status["input"]["port"],
                "outputs": list(outputs),
            },
            Place(_port(status["input"]), status["input"]["state"]),
            outputs,
            rig.middle_c_octave if rig is not None else 4,
            run=status["pid"],
            devices_known=rig is not None,
        )


@contextmanager
def _of_this_version() -> Iterator[None]:
    """What does not look as it should comes from a service that is older or newer than we are."""
    try:
        yield
    except (AttributeError, KeyError, TypeError, ValueError):
        raise PointsmanError(_OTHER_VERSION) from None


def _port(status: Mapping[str, Any]) -> str:
    return str(status["found"] or status["port"])


def _expect(rig: str | os.PathLike[str], status: dict[str, Any]) -> None:
    """UsageError unless this rig runs."""
    if Path(rig).resolve() != Path(status["path"]):
        raise UsageError(
            f"{rig} is not what runs, that is {status['path']}; leave the rig out to watch it, "
            f"or name a port with --input to see what {rig} would send"
        )


class _Names:
    """The rig that a status speaks of, for the names in its device files; read when it changes."""

    def __init__(self) -> None:
        self._read: tuple[object, ...] = ()
        self._set: Rig | None = None

    def rig_of(self, status: dict[str, Any]) -> Rig | None:
        """The rig, or the song that plays; None where the file cannot be read."""
        path = Path(status["path"])
        changed = 0
        with suppress(OSError):
            changed = path.stat().st_mtime_ns
        read = (path, changed)
        if read != self._read:
            self._read, self._set = read, _load(path)
        rig, song = self._set, status["song"]
        return rig if rig is None or song is None else dict(rig.songs.rigs).get(song, rig)


def _load(path: Path) -> Rig | None:
    from pointsman.rig_file import load_rig

    try:
        return load_rig(path)
    except (PointsmanError, OSError):
        return None
