"""Lets system calls fail, one after the other, under a rig on real ports, and hears what becomes.

    python tests/soak/faults.py [--quick]

One run is looked at with strace, to learn which calls it makes on its ports, its state file and its
socket: as it starts, while it plays, when a plug is pulled and put back, and as it ends. Then each
of these places fails once, in a run of its own or in one that goes on. Afterwards the run must have
ended by itself with one clear line, or notes must pass to every port that is still there; and when
it is over nothing may sound. At the end come troubles that need no strace. It needs root, strace,
and two virtual sound cards (`modprobe snd-virmidi enable=1,1 midi_devs=1,1`), whose plugs it pulls.

Printed: a line for each fault, and exit code 1 if one of them did what it must not do. About five
minutes on an emulated machine.
"""

from __future__ import annotations

import argparse
import errno
import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path

import rtmidi  # noqa: F401 - loaded once, for all runs

import pointsman.live.run
import pointsman.log  # noqa: F401
from pointsman import cli
from pointsman.midi_bytes import ByteParser
from pointsman.rig_file import load_rig_and_plugins
from pointsman.tables import table

RIG = """\
input: {port: "VirMIDI 0-0"}
outputs:
  tug: {port: "VirMIDI 0-0", chain: [{plugin: cc_reset, controls: {74: 64}, when: [stop]}]}
  gull: {port: "VirMIDI 1-0"}
"""
CARDS = Path("/sys/bus/platform/drivers/snd_virmidi")
SEQ = "/dev/snd/seq"
PATIENCE_S = 25.0
"""How long anything may take before it counts as hung; a traced and emulated machine is slow."""

PHASES = ("start", "play", "rest", "pull", "put back", "end", "scenes")
ON, OFF = "90 3C 64", "80 3C 40"
E = errno


# ---- the far side --------------------------------------------------------------------------------


class Far:
    """What is plugged into the two cards: a keyboard and a synth on the first, one on the other."""

    def __init__(self) -> None:
        self._files: dict[str, int] = {}
        self._parsers: dict[str, ByteParser] = {}
        self.heard: dict[str, list[bytes]] = {"tug": [], "gull": []}
        for name in self.heard:
            self.plug(name)

    def plug(self, name: str) -> None:
        """Connect with a card."""
        card = ("tug", "gull").index(name)
        flags = (os.O_RDONLY if card else os.O_RDWR) | os.O_NONBLOCK | os.O_CLOEXEC
        until(lambda: Path(f"/dev/snd/midiC{card}D0").exists(), "the card")
        self._files[name] = os.open(f"/dev/snd/midiC{card}D0", flags)
        self._parsers[name] = ByteParser()
        select.select([self._files[name]], [], [], 0)  # a card hears nothing before it is asked

    def pull(self) -> None:
        """Take the second card away; what it has heard stays."""
        self.listen()
        os.close(self._files.pop("gull"))
        (CARDS / "unbind").write_text("snd_virmidi.1")

    def put_back(self) -> None:
        """Plug the second card in again, and be there to hear it at once."""
        (CARDS / "bind").write_text("snd_virmidi.1")
        self.plug("gull")

    def play(self, *messages: str) -> None:
        """Play on the keyboard."""
        os.write(self._files["tug"], bytes.fromhex("".join(messages)))

    def listen(self, within_s: float = 0.0) -> None:
        """Take in what comes within so long."""
        if select.select(list(self._files.values()), [], [], within_s)[0]:
            for name, file in self._files.items():
                with suppress(BlockingIOError):
                    self.heard[name] += self._parsers[name].feed(os.read(file, 4096))

    def hears(self, name: str, *messages: str, within_s: float = 3.0) -> bool:
        """Whether these come, in this order, whatever else does."""
        until_s = time.monotonic() + within_s
        wanted = [bytes.fromhex(message) for message in messages]
        while not (found := _in_order(wanted, self.heard[name])) and time.monotonic() < until_s:
            self.listen(0.05)
        return found

    def sounding(self, name: str) -> str:
        """What sounds, or is not at home, after all that was heard; nothing: the empty string."""
        left: dict[str, None] = {}
        for data in self.heard[name]:
            if data[0] & 0xF0 == 0x90 and data[2]:
                left[f"note {data[1]}"] = None
            elif data[0] & 0xF0 in (0x80, 0x90):
                left.pop(f"note {data[1]}", None)
            elif data[0] & 0xF0 == 0xB0 and data[1] in (120, 123):
                left = {text: None for text in left if not text.startswith("note")}
            elif data[:2] == b"\xb0\x4a" and name == "tug":
                left.pop("control 74", None)
                if data[2] != 64:
                    left["control 74"] = None
        return ", ".join(left)

    def forget(self) -> None:
        """Begin anew."""
        self.listen(0.05)
        for heard in self.heard.values():
            heard.clear()


def _in_order(wanted: list[bytes], heard: list[bytes]) -> bool:
    rest = iter(heard)
    return all(data in rest for data in wanted)


def until(true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait for something; TimeoutError when it does not come."""
    give_up_s = time.monotonic() + patience_s
    while not true():
        if time.monotonic() > give_up_s:
            raise TimeoutError(what)
        time.sleep(0.01)


# ---- a run, and the one who traces it ------------------------------------------------------------


class Voyage:
    """One run of the rig: a fork of this process, which has all modules loaded already."""

    def __init__(self, folder: Path, *options: str, uid: int = 0, socket: str = "c.sock") -> None:
        self.folder = folder
        self._socket = folder / socket
        self.log_path = folder / f"log{time.monotonic_ns()}"
        self._read, self._go = os.pipe()
        self.code: int | None = None
        sys.stdout.flush()
        self.pid = os.fork()
        if not self.pid:
            self._be(options, uid)

    def _be(self, options: tuple[str, ...], uid: int) -> None:
        """What the fork does: wait for the word, then be `pointsman run`."""
        code = 1
        try:
            os.dup2(os.open(self.log_path, os.O_WRONLY | os.O_CREAT, 0o666), 2)
            os.closerange(3, self._read)  # the far side's files are not ours to keep open
            os.closerange(self._read + 1, 256)
            os.read(self._read, 1)
            if uid:
                os.setgroups([])
                os.setuid(uid)
            os.chdir(self.folder)
            code = cli.main(["run", "rig.yaml", "--socket", str(self._socket), *options])
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)

    def go(self) -> None:
        """Let it begin."""
        os.close(self._go)
        os.close(self._read)

    def ended(self) -> bool:
        """Whether it has ended; then `code` is its exit code, or the negative of a signal."""
        if self.code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.code = os.waitstatus_to_exitcode(status)
        return self.code is not None

    def start(self) -> None:
        """Wait until it is ready or has ended."""
        until(lambda: self.ended() or bool(self.told("ready")), "ready")

    def stop(self) -> None:
        """End it as systemd does."""
        if not self.ended():
            os.kill(self.pid, signal.SIGTERM)
        until(self.ended, "the end")

    def kill(self) -> None:
        """Whatever it does, it is over now."""
        if not self.ended():
            os.kill(self.pid, signal.SIGKILL)
            until(self.ended, "the kill")

    @property
    def lines(self) -> list[str]:
        """All that it has said on stderr."""
        return self.log_path.read_text("utf-8").splitlines() if self.log_path.exists() else []

    @property
    def log(self) -> list[dict[str, object]]:
        """The lines of its log."""
        return [json.loads(line) for line in self.lines if line.startswith("{")]

    def told(self, event: str, since: int = 0) -> list[dict[str, object]]:
        """What its log says of this."""
        return [line for line in self.log[since:] if line["event"] == event]

    def troubles(self, since: int = 0) -> list[str]:
        """What it has said that is not as usual; `since` counts lines."""
        said = []
        for line in self.lines[since:]:
            if not line.startswith("{"):
                said.append(line)
            elif (fields := json.loads(line))["level"] != "info":
                why = fields.get("why") or fields.get("port") or ""
                said.append(f"{fields['event']}: {why}")
        return [line for line in said if line.strip()]


@dataclass(frozen=True)
class Place:
    """A call to fail: the when-th `call` of a thread on one of `paths`, in a phase of a run."""

    phase: str
    what: str
    call: str
    detail: str
    when: int


@dataclass
class Watched:
    """What is traced, by what it is; strace counts the calls on all paths of a kind together."""

    folder: Path
    kinds: dict[str, tuple[str, ...]] = field(init=False)

    def __post_init__(self) -> None:
        c = str(self.folder / "c")
        self.kinds = {
            "sequencer": (SEQ,),
            "list of clients": ("/proc/asound/seq/clients",),
            "sysfs": ("/sys/class/sound/card0", "/sys/class/sound/card1"),
            "state file": (f"{c}.state", f"{c}.state.new"),
            "lock": (f"{c}.lock",),
            "socket": (f"{c}.sock",),
        }

    def kind_of(self, line: str) -> str | None:
        """What the path is that a line of strace names."""
        for kind, paths in self.kinds.items():
            if any(f'"{path}"' in line or f"<{path}>" in line for path in paths):
                return kind
        return None


CALLS = "openat,ioctl,read,write,poll,close,rename,unlink,readlink,flock,ftruncate,pwrite64"


@contextmanager
def traced(pid: int, options: list[str], out: Path, *, threads: bool) -> Iterator[None]:
    """Have strace look at a process, or at its main thread alone, until the end of the block."""
    command = ["strace", *(["-f"] if threads else []), "-y", "-qq", "-o", str(out), *options]
    many = len(os.listdir(f"/proc/{pid}/task")) if threads else 1
    said = out.with_suffix(".said")
    with said.open("wb") as stderr:
        tracer = subprocess.Popen([*command, "-p", str(pid)], stderr=stderr)
    try:
        until(lambda: _tracees(pid) >= many or tracer.poll() is not None, "strace")
        if tracer.poll() is not None:
            raise SystemExit(f"strace does not work here: {said.read_text('utf-8')}")
        yield
    finally:
        tracer.send_signal(signal.SIGINT)
        try:
            tracer.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            tracer.kill()
            tracer.wait()


def _tracees(pid: int) -> int:
    count = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):
            count += "TracerPid:\t0\n" not in (task / "status").read_text("ascii")
    return count


def looking(watched: Watched) -> list[str]:
    """The options that let strace write down all that is watched."""
    paths = [path for some in watched.kinds.values() for path in some]
    return [*(word for path in paths for word in ("-P", path)), "-e", f"trace={CALLS}"]


def failing(watched: Watched, place: Place, number: int) -> list[str]:
    """The options that let one place fail."""
    paths = [word for path in watched.kinds[place.what] for word in ("-P", path)]
    error = errno.errorcode[number]
    when = f"{place.when}"
    if place.call == "openat" and place.what == "sequencer":
        when += f"..{place.when + 1}"  # ALSA's library tries a second time
    inject = f"inject={place.call}:error={error}:when={when}"
    return [*paths, "-e", f"trace={place.call}", "-e", inject]


def places(phase: str, trace: Path, watched: Watched) -> list[Place]:
    """The distinct places that a trace shows: for each port that is opened, each kind of call."""
    counts: Counter[tuple[str, str, str]] = Counter()
    opened: Counter[str] = Counter()
    seen: dict[tuple[object, ...], Place] = {}
    for line in trace.read_text("utf-8").splitlines():
        match = re.match(r"(?:(\d+) +)?(\w+)\(", line)
        kind = watched.kind_of(line)
        if match is None or kind is None or "TCGETS" in line:  # Python's, and it may well fail
            continue
        thread, call = match[1] or "", match[2]
        counts[thread, kind, call] += 1
        opened[kind] += call == "openat"
        request = re.search(r"SNDRV_SEQ_IOCTL_(\w+)", line)
        detail = request[1] if request else ""
        if kind == "state file":
            detail = "new" if "c.state.new" in line else "old"
        port = opened[kind] if kind == "sequencer" else 0
        place = Place(phase, kind, call, detail, counts[thread, kind, call])
        alike = port if call == "openat" or detail in EACH_PORT else 0
        seen.setdefault((kind, call, detail, alike), place)
        if kind == "sequencer" and call == "write" and phase == "end":
            seen[kind, call, place.when] = place  # each is a release
    return list(dict.fromkeys(seen.values()))


EACH_PORT = ("CREATE_PORT", "SUBSCRIBE_PORT", "CREATE_QUEUE")
"""What is tried anew for each port that is opened."""


# ---- what a fault has done -----------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What came of one fault."""

    place: str
    error: str
    result: str
    line: str
    wrong: str = ""
    known: str = ""


KEPT_BACK = "known: the library keeps the very last message to an output, and does not tell"
"""What the kernel does not take, ALSA's library sends with the next message. After the last one of
a run there is no next. Nobody can see it from outside the library, or make it try again."""


def errors_of(place: Place) -> tuple[int, ...]:
    """What this call could really fail with."""
    if place.what == "sequencer":
        if place.call == "openat":
            return ((E.ENODEV, E.EMFILE, E.EACCES)[place.when % 3],)
        if place.call == "read":
            return (E.EIO, E.ENOSPC)
        return (E.ENOMEM,)
    full = {"write": E.ENOSPC, "rename": E.ENOSPC, "pwrite64": E.ENOSPC}
    shut = {"openat": E.EMFILE, "unlink": E.EACCES}
    return ({**full, **shut}.get(place.call, E.EIO),)


def judge(
    run: Voyage, place: Place, number: int, since: int, wrong: list[str], trace: str
) -> Outcome:
    """Put together what has become of a run after a fault."""
    if number and "INJECTED" not in trace:
        wrong = [*wrong, "the call did not come"]
    troubles = run.troubles(since)
    wrong = [*wrong, *(f"Python said: {line}" for line in troubles if "Traceback" in line)]
    if run.code is not None and run.code < 0:
        wrong.append(f"died of signal {-run.code}")
    if place.what == "all over" and run.code:
        wrong.append(f"ended with {run.code}")
    if run.code in (1, 3) and not troubles:
        wrong.append("ended without a word")
    known = ""
    if (place.phase, place.what, place.call) == ("end", "sequencer", "write"):
        left = [text for text in wrong if " has left: " in text and "," not in text]
        if len(wrong) == len(left) == 1:  # more than that one message is no part of it
            known, wrong = f"{KEPT_BACK} ({left[0]})", []
    result = "went on" if not run.code else f"ended with {run.code}"
    call = f", {place.call} {place.detail}".rstrip() + f" #{place.when}" if place.call else ""
    return Outcome(
        f"{place.phase}: {place.what}{call}",
        errno.errorcode.get(number, "-"),
        result,
        " / ".join(dict.fromkeys(troubles)) or "(nothing to tell)",
        "; ".join(wrong),
        known,
    )


class Harbour:
    """Where the runs happen, one after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.watched = Watched(folder)
        folder.chmod(0o755)  # one of the runs is not root's
        self.trace = folder / "trace"
        self.far = Far()
        self._notes = cycle(range(36, 96, 2))
        (folder / "rig.yaml").write_text(RIG, "utf-8")
        load_rig_and_plugins(folder / "rig.yaml")  # what this imports is there for all runs

    def passes(self, *names: str) -> list[str]:
        """Play a note; what is wrong with how it passes, to each of these."""
        self.far.play(ON, OFF)
        return [f"{name} misses notes" for name in names if not self.far.hears(name, ON, OFF)]

    def hold(self) -> None:
        """Leave something for the end to put right: notes, and a control away from home."""
        self.far.play("90 40 64", "B0 4A 10", "90 43 64")
        for name in ("tug", "gull"):
            self.far.hears(name, "90 40 64", "B0 4A 10", "90 43 64")

    def at_rest(self) -> list[str]:
        """What is wrong when a run is over."""
        wrong = []
        for name in ("tug", "gull"):
            give_up_s = time.monotonic() + 1.0
            while (left := self.far.sounding(name)) and time.monotonic() < give_up_s:
                self.far.listen(0.05)
            if left:
                wrong.append(f"{name} has left: {left}")
        return wrong + self._files_left()

    def _files_left(self) -> list[str]:
        return [f"{name} is left" for name in ("c.state.new",) if (self.folder / name).exists()]

    def clean(self) -> None:
        """Nothing of the last run is left to see."""
        for name in ("c.state", "c.state.new", "c.sock", "c.lock"):
            (self.folder / name).unlink(missing_ok=True)
        self.far.forget()

    # ---- as it starts ----------------------------------------------------------------------------

    def at_start(self, place: Place, number: int, *options: str) -> Outcome:
        """A fault as a run starts."""
        return self._voyage(place, number, "start", *options)

    def at_end(self, place: Place, number: int) -> Outcome:
        """A fault as a run ends."""
        return self._voyage(place, number, "end")

    def look_at_start_and_end(self) -> list[Place]:
        """The places of a run that nothing happens to."""
        found = []
        for phase in ("start", "end"):
            outcome = self._voyage(Place(phase, "", "", "", 0), 0, phase)
            if outcome.wrong:
                raise SystemExit(f"without a fault: {outcome}")
            found += places(phase, self.trace, self.watched)
        return found

    def _options(self, place: Place, number: int) -> list[str]:
        return failing(self.watched, place, number) if number else looking(self.watched)

    def _voyage(self, place: Place, number: int, phase: str, *options: str) -> Outcome:
        self.clean()
        run = Voyage(self.folder, *options)
        wrong: list[str] = []
        strace = self._options(place, number)
        try:
            if phase == "start":
                with traced(run.pid, strace, self.trace, threads=False):
                    run.go()
                    run.start()
            else:
                run.go()
                run.start()
            since = len(run.lines) if phase == "end" else 0
            if not run.ended():
                if "--wait" in options:  # what did not open is tried again
                    time.sleep(2.0)
                wrong += self.passes("tug", "gull")
                self.hold()
            if phase == "end":
                with traced(run.pid, strace, self.trace, threads=False):
                    run.stop()
            else:
                run.stop()
        except TimeoutError as error:
            wrong.append(f"hung: {error}")
        finally:
            run.kill()
        return judge(run, place, number, since, [*wrong, *self.at_rest()], self.trace.read_text())

    # ---- while it plays --------------------------------------------------------------------------

    @contextmanager
    def at_sea(self) -> Iterator[Voyage]:
        """A run that goes on from fault to fault."""
        self.clean()
        run = Voyage(self.folder)
        try:
            run.go()
            run.start()
            yield run
        finally:
            run.kill()

    def act(self, phase: str, run: Voyage) -> None:
        """What happens in a phase of a run that goes on."""
        if phase == "play":
            note = next(self._notes)
            strike, let_go = (
                (f"{status} {note:02X} 40", f"{status} {note + 1:02X} 40") for status in (90, 80)
            )
            self.played = (*strike, *let_go)
            self.far.play(*strike)
            time.sleep(0.6)  # the state file follows
            self.far.play(*let_go)
            time.sleep(0.1)
        elif phase == "rest":
            time.sleep(0.7)
        elif phase == "pull":
            since = len(run.log)
            self.far.pull()
            until(lambda: bool(run.told("output lost", since)), "that the pull is noticed")
        elif phase == "put back":
            since = len(run.log)
            self.far.put_back()
            until(lambda: bool(run.told("output is back", since)), "that it is back")

    def look(self, phase: str, run: Voyage) -> list[Place]:
        """The places of a phase."""
        with traced(run.pid, looking(self.watched), self.trace, threads=True):
            self.act(phase, run)
        return places(phase, self.trace, self.watched)

    def under_way(self, place: Place, number: int, run: Voyage) -> Outcome:
        """A fault in a run that goes on; afterwards all must be well again."""
        if place.phase == "put back":
            self.act("pull", run)
        self.far.forget()
        since = len(run.lines)
        wrong: list[str] = []
        try:
            with traced(run.pid, self._options(place, number), self.trace, threads=True):
                self.act(place.phase, run)
            if place.phase == "pull":
                wrong += self.passes("tug")
                self.act("put back", run)
            if run.ended():
                wrong.append("it ended")
            else:
                wrong += self.passes("tug", "gull")
                if place.phase == "play":  # those of the fault have come as well, if late
                    whole = (*self.played, ON, OFF)
                    names = ("tug", "gull")
                    wrong += [f"{n} lost some" for n in names if not self.far.hears(n, *whole)]
        except TimeoutError as error:
            wrong.append(f"hung: {error}")
        return judge(run, place, number, since, [*wrong, *self.at_rest()], self.trace.read_text())

    # ---- troubles that need no strace ------------------------------------------------------------

    def scenes(self) -> Iterator[Outcome]:
        """The state file, the disk, the socket, permissions."""
        whole = '{"version": 1, "rig": "rig", "pid": 1, "ports": []}'
        yield self._scene("a state file that was cut short", "state file", left=whole[:20])
        yield self._scene("an empty state file", "state file", left="")
        yield self._scene("of another version", "state file", left=whole.replace("1", "2", 1))
        (self.folder / "disk").mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(self.folder / "disk")]
        subprocess.run(mount, check=True)
        yield self._scene("a full disk", "state file", socket="disk/c.sock")
        yield self._scene("a second run on the socket", "in use by process", second=True)
        yield self._scene("no permission", "no permission for /dev/snd/seq", uid=65534)

    def _scene(
        self,
        name: str,
        said: str,
        *,
        left: str | None = None,
        socket: str = "c.sock",
        second: bool = False,
        uid: int = 0,
    ) -> Outcome:
        """A run in trouble, which must say `said`, and play on or end with its code."""
        self.clean()
        if left is not None:
            (self.folder / "c.state").write_text(left, "utf-8")
        runs = [Voyage(self.folder, uid=uid, socket=socket)]
        wrong: list[str] = []
        try:
            runs[0].go()
            runs[0].start()
            if socket != "c.sock":
                with suppress(OSError):
                    (self.folder / socket).with_name("cargo").write_bytes(b"x" * (1 << 20))
            if second:
                runs.append(Voyage(self.folder))
                runs[1].go()
                runs[1].start()
                wrong += [] if runs[1].code == 1 else [f"the second has {runs[1].code}"]
            if uid:
                wrong += [] if runs[0].code == 3 else [f"it has {runs[0].code}"]
            else:
                wrong += self.passes("tug", "gull")
                self.hold()
                time.sleep(0.5)
                wrong += self.passes("tug", "gull")
                runs[0].stop()
                wrong += [] if runs[0].code == 0 else [f"it has {runs[0].code}"]
        except TimeoutError as error:
            wrong.append(f"hung: {error}")
        finally:
            for run in runs:
                run.kill()
        if said not in " ".join(runs[-1].troubles()):
            wrong.append("it says nothing of it")
        place = Place("scene", name, "", "", 0)
        return judge(runs[-1], place, 0, 0, [*wrong, *self.at_rest()], "")


# ---- which faults --------------------------------------------------------------------------------


def chosen(found: list[Place], quick: bool) -> list[tuple[Place, int]]:
    """The faults to try: every opening, and of the rest each distinct place with its errors."""
    faults = [(place, number) for place in found for number in errors_of(place)]
    return faults[:: max(len(faults) // 3, 1)] if quick else faults


def main() -> int:
    """Let it fail, and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="only a handful")
    parser.add_argument("--only", help=f"only some of these: {','.join(PHASES)}")
    options = parser.parse_args()
    if shutil.which("strace") is None or not CARDS.exists():
        raise SystemExit("nothing done: it needs strace and two cards of snd-virmidi")
    phases = options.only.split(",") if options.only else PHASES
    begun = time.monotonic()
    outcomes: list[Outcome] = []

    def tell(outcome: Outcome) -> None:
        outcomes.append(outcome)
        mark = f"  WRONG: {outcome.wrong}" if outcome.wrong else f"  {outcome.known}".rstrip()
        text = f"{outcome.place}, {outcome.error}: {outcome.result}: {outcome.line}{mark}"
        print(f"{time.monotonic() - begun:5.0f} s  {text}", flush=True)

    with tempfile.TemporaryDirectory() as name:
        harbour = Harbour(Path(name))
        ends = harbour.look_at_start_and_end() if {"start", "end"} & {*phases} else []
        for place, number in chosen([p for p in ends if p.phase in phases], options.quick):
            attempt = harbour.at_start if place.phase == "start" else harbour.at_end
            tell(attempt(place, number))
            if place.phase == "start" and place.what == "sequencer" and place.call == "openat":
                tell(harbour.at_start(place, number, "--wait"))
        for phase in (p for p in ("play", "rest", "pull", "put back") if p in phases):
            with harbour.at_sea() as run:
                if phase == "put back":
                    harbour.act("pull", run)
                found = harbour.look(phase, run)
                if phase == "pull":
                    harbour.act("put back", run)
                for place, number in chosen(found, options.quick):
                    tell(harbour.under_way(place, number, run))
                    if outcomes[-1].wrong.startswith(("hung", "it ended")):
                        break
                run.stop()
                tell(judge(run, Place(phase, "all over", "", "", 0), 0, len(run.lines), [], ""))
        if "scenes" in phases:
            for outcome in harbour.scenes():
                tell(outcome)
            subprocess.run(["umount", str(harbour.folder / "disk")], check=True)
    wrong = [outcome for outcome in outcomes if outcome.wrong]
    rows = [(o.place, o.error, o.result, o.wrong or o.known or "well") for o in outcomes]
    print(table(("place", "error", "the run", "so all is"), rows))
    print(f"{len(outcomes)} faults, {len(wrong)} with an outcome that must not be")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
