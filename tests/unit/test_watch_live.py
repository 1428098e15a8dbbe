"""watch beside a running service, and the input that it opens itself where nothing runs."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_kit import Harbour, harbour
from quay import NOTE_OFF, NOTE_ON, Quay, controlled, load, playing, until

from pointsman.cli import main
from pointsman.errors import PointsmanError
from pointsman.live.client import NoService, Tap
from pointsman.live.run import Wishes
from pointsman.ports.resolve import BUILT_IN
from pointsman.registry import Registry
from pointsman.watch.attached import Attached
from pointsman.watch.direct import ROOM, Direct, open_direct
from pointsman.watch.filters import Filters
from pointsman.watch.items import Event, Heard, Item, Lost, Now
from pointsman.watch.scene import Scene

PATIENCE_S = 20.0
RIG = """\
rig: harbour
middle_c: C3
input: {port: "quay:stage"}
outputs:
  tug:
    port: "quay:tug"
    device: tug.yaml
    chain:
      - {plugin: channel_remap, map: {1: 5}}
      - {plugin: cc_reset, controls: {cutoff: device}, when: [note_off], window: 2s}
  gull: {port: "quay:gull", wire: din}
songs: {rigs: {storm: storm.yaml}, program_channel: 16}
"""
DEVICE = "device: Tug\nchannel: 5\ncontrols: {cutoff: {cc: 74, home: 64}}\n"
STORM = RIG.partition("songs:")[0].replace("tug.yaml", "brig.yaml")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("POINTSMAN_SOCKET", str(tmp_path / "none.sock"))
    (tmp_path / "tug.yaml").write_text(DEVICE)
    (tmp_path / "brig.yaml").write_text(DEVICE.replace("cutoff", "spray"))
    (tmp_path / "storm.yaml").write_text(STORM.replace("cutoff", "spray"))
    (tmp_path / "rig.yaml").write_text(RIG)
    return tmp_path


def leaking(plugins: Path, error: str) -> None:
    """A folder with a plugin `leak` that raises this for every message."""
    plugins.mkdir()
    (plugins / "mine.py").write_text(
        "from pointsman.plugin import *\n"
        "class Leak(Plugin):\n"
        "    name = 'leak'\n"
        "    def step_for(self, kind, channel):\n"
        "        return self.step\n"
        "    def step(self, data, t_ns):\n"
        f"        raise {error}\n"
        "@hookimpl\n"
        "def pointsman_plugins():\n"
        "    return [Leak]\n"
    )


class Watched:
    """A source, and a view of it."""

    def __init__(self, source: Attached | Direct, filters: Filters) -> None:
        self.source = source
        self.scene = Scene(source.setting, filters)
        self.items: list[Item] = []
        self.lines: list[str] = []

    def look(self) -> None:
        """Take in what has happened."""
        items = self.source.take()
        self.items += items
        for row in self.scene.take(items):
            if isinstance(row, Heard):
                words = row.words
                self.lines.append(f"{row.event.output} {words.brief} {words.channel}")
            else:
                self.lines.append(row.text)

    def settle(self) -> None:
        """Wait for a status: the service has been asked for it after the events."""
        self.items.clear()
        self.until(lambda: any(isinstance(item, Now) for item in self.items))

    def until(self, true: Callable[[], bool]) -> None:
        """Look until this is so."""

        def so() -> bool:
            self.look()
            return true()

        until(so)

    def hears(self, count: int) -> list[str]:
        """The next so many lines."""
        self.until(lambda: len(self.lines) >= count)
        found, self.lines = self.lines[:count], self.lines[count:]
        return found


Watch = Callable[..., Watched]


@pytest.fixture
def watch() -> Iterator[Watch]:
    opened: list[Watched] = []

    def start(source: Attached | Direct, filters: Filters | None = None) -> Watched:
        opened.append(Watched(source, filters or Filters()))
        return opened[-1]

    yield start
    for watched in opened:
        watched.source.close()


# ---- attached ------------------------------------------------------------------------------------


def test_a_running_rig_with_the_names_of_its_devices(
    folder: Path, quay: Quay, watch: Watch
) -> None:
    with (
        controlled(folder) as control,
        playing(load(folder, RIG), quay, Wishes(control=control)),
    ):
        quay.play(NOTE_ON)
        watched = watch(Attached(control.path, folder / "rig.yaml"))
        setting = watched.source.setting
        assert setting.title.startswith("harbour, running as process ")
        assert {name: place.rate for name, place in setting.outputs.items()} == {
            "tug": None, "gull": 3125,
        }  # fmt: skip
        watched.settle()
        assert watched.scene.streams["tug"].sounding == {(5, 60)}  # struck before we came
        quay.play(NOTE_OFF, b"\xb0\x4a\x10", NOTE_ON, NOTE_OFF)
        assert len(watched.hears(3)) == 3
        assert sorted(watched.hears(10)) == sorted(
            [
                "None brightness 16 1", "tug cutoff 16 5", "gull brightness 16 1",
                "None note C3 100 1", "tug note C3 100 5", "gull note C3 100 1",
                "None note_off C3 64 1", "tug note_off C3 64 5", "gull note_off C3 64 1",
                "tug cutoff 64 5",
            ]
        )  # fmt: skip
        assert watched.scene.streams["tug"].sounding == set()
        quay.play(b"\xcf\x00")  # the song storm, in which the control has another name
        watched.until(lambda: watched.source.setting.title.startswith("harbour, song storm"))
        watched.lines.clear()
        quay.play(b"\xb0\x4a\x11")
        watched.until(lambda: "tug spray 17 5" in watched.lines)
        quay.pull(">gull")
        watched.until(lambda: watched.source.setting.outputs["gull"].state == "lost")
        assert watched.source.setting.outputs["tug"].state == "open"
        assert watched.lines[-1].startswith("gull: ")
        assert watched.lines[-1].endswith(" is lost; plug it in again, it goes on by itself")


def test_a_service_that_ends_and_comes_back(folder: Path, quay: Quay, watch: Watch) -> None:
    rig = load(folder, RIG)
    with controlled(folder) as control:
        with playing(rig, quay, Wishes(control=control)):
            watched = watch(Attached(control.path))
            watched.settle()
            quay.play(NOTE_ON)
            watched.hears(3)
        watched.until(lambda: watched.source.fileno() is None)
        left = "the service has ended; waiting for it to come back"
        assert watched.lines[-1] == left
        assert not watched.scene.streams["tug"].sounding
        assert 0 <= watched.source.wait_s <= 1
    watched.lines.clear()
    with (
        controlled(folder) as control,
        playing(rig, quay, Wishes(control=control)),
    ):
        watched.until(lambda: bool(watched.lines))
        assert watched.lines[0].startswith("attached again: harbour, running as process ")
        watched.settle()
        watched.lines.clear()
        quay.play(NOTE_ON)
        assert "tug note C3 100 5" in watched.hears(3)


def test_another_rig_than_the_one_that_runs(folder: Path, quay: Quay, run: Run) -> None:
    with (
        controlled(folder) as control,
        playing(load(folder, RIG), quay, Wishes(control=control)),
    ):
        code, out, err = run("watch", str(folder / "storm.yaml"), "--socket", str(control.path))
        assert (code, out) == (2, "")
        assert err == (
            f"{folder}/storm.yaml is not what runs, that is {folder}/rig.yaml; leave the rig out "
            f"to watch it, or name a port with --input to see what {folder}/storm.yaml would send\n"
        )
        code, out, err = run("watch", "--socket", str(control.path), "--output", "tgu")
        assert (code, out, err) == (2, "", "there is no output 'tgu'; did you mean 'tug'?\n")
        code, _, err = run("watch", "--socket", str(control.path), "--control", "cutof")
        assert (code, err) == (2, "there is no control 'cutof'; did you mean 'cutoff'?\n")


def test_a_rig_file_that_has_become_wrong_takes_only_the_names(
    folder: Path, quay: Quay, watch: Watch
) -> None:
    with (
        controlled(folder) as control,
        playing(load(folder, RIG), quay, Wishes(control=control)),
    ):
        (folder / "rig.yaml").write_text("rig: [")
        watched = watch(Attached(control.path), Filters(controls=("cutoff", "74")))
        assert "its rig file cannot be read: no names of controls" in watched.source.setting.title
        watched.settle()
        quay.play(b"\xb0\x4a\x10")
        assert "tug brightness 16 5" in watched.hears(3)


def test_events_that_were_lost_are_counted(place: Harbour, watch: Watch) -> None:
    """A reader that does not read, and a desk that has more to tell than it keeps."""
    watched = attach(place, watch)
    batch = [("in", number * 10**6, b"\x90\x3c\x64") for number in range(500)]
    for _ in range(40):
        while not place.link.push(batch):
            place.quiet(0.01)
        place.quiet(0.01)
    watched.until(lambda: watched.scene.lost > 0)
    seen = sum(isinstance(item, Event) for item in watched.items)
    lost = sum(item.count for item in watched.items if isinstance(item, Lost))
    assert (seen + lost, lost) == (40 * 500, watched.scene.lost)
    (line,) = [line for line in watched.lines if "lost" in line]
    assert line == f"{lost} events were lost: more came than could be passed on"


STATUS: dict[str, Any] = {
    "rig": "harbour", "song": None, "pid": 7, "path": "/none/harbour.yaml", "running_s": 1.0,
    "input": {"port": "Quay", "found": None, "state": "missing"},
    "outputs": {"tug": {"port": "Tug", "found": "Tug 20:0", "state": "open", "wire": None,
                        "sounding": [[5, 60]]}},
    "transport": {"playing": True, "bar": 9},
}  # fmt: skip


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Harbour]:
    monkeypatch.setenv("POINTSMAN_SOCKET", str(tmp_path / "none.sock"))
    with harbour(tmp_path) as found:
        yield found


def attach(place: Harbour, watch: Watch, **status: Any) -> Watched:
    """Attach to a desk; the test is its service."""
    service = threading.Thread(target=lambda: place.answer("status", **{**STATUS, **status}))
    service.start()
    source = Attached(place.path)
    service.join()
    assert place.next("tap") == ("tap", True, False)
    return watch(source)


def test_what_a_service_of_another_version_says(place: Harbour, watch: Watch) -> None:
    with pytest.raises(PointsmanError, match="another version"):
        attach(place, watch, outputs=None)
    watched = attach(place, watch)
    place.link.push([("in", 0, b"\xf8")])
    watched.until(lambda: bool(watched.items))
    watched.until(lambda: bool(place.quiet(0.1)))  # it asks for the status
    (_, number), *_ = [item for item in place.said if item[0] == "status"]
    place.link.answer(number, {"ok": True, "outputs": 3})
    with pytest.raises(PointsmanError, match="another version"):
        watched.until(lambda: False)


def test_a_status_that_does_not_come_is_a_remark(place: Harbour, watch: Watch) -> None:
    watched = attach(place, watch)
    watched.until(lambda: bool(place.quiet(0.1)))
    (_, number), *_ = [item for item in place.said if item[0] == "status"]
    place.link.answer(number, {"ok": False, "error": "the service does not answer"})
    assert watched.hears(1) == ["no status: the service does not answer"]


def test_a_tap_reads_what_came_with_its_answer(tmp_path: Path, place: Harbour) -> None:
    tap = Tap(place.path)
    tap.begin()
    place.next("tap")
    place.link.push([("in", 0, b"\xf8")] * 3)
    found: list[dict[str, Any]] = []

    def three() -> bool:
        found.extend(tap.take())
        return len(found) == 3

    until(three)
    assert not tap.ended
    place.link.close()
    until(lambda: not tap.take() and tap.ended)
    tap.close()
    with pytest.raises(NoService):
        Tap(tmp_path / "none.sock")


# ---- by itself -----------------------------------------------------------------------------------


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process: exit code, stdout, stderr."""

    def call(*arguments: str) -> tuple[int, str, str]:
        try:
            code = main(arguments)
        except SystemExit as end:
            code = int(end.code or 0)
        printed = capfd.readouterr()
        return code, printed.out, printed.err

    return call


def direct(folder: Path, quay: Quay, text: str = RIG) -> Direct:
    rig = load(folder, text)
    registry = Registry(ports={"quay": quay, **BUILT_IN})
    return Direct(rig, registry, "a dry run", {"watching": "rig"})


def test_where_nothing_runs_the_rig_runs_over_the_input_and_opens_no_output(
    folder: Path, quay: Quay, watch: Watch
) -> None:
    watched = watch(direct(folder, quay))
    assert quay.opened == ["<stage"]
    quay.play(b"\xb0\x4a\x10", NOTE_ON, NOTE_OFF)
    found = watched.hears(10)
    assert [line for line in found if not line.startswith("gull")] == [
        "None brightness 16 1", "tug cutoff 16 5",
        "None note C3 100 1", "tug note C3 100 5",
        "None note_off C3 64 1", "tug note_off C3 64 5", "tug cutoff 64 5",
    ]  # fmt: skip
    assert quay.opened == ["<stage"]
    times = [item.t_ns for item in watched.items if isinstance(item, Event)]
    assert times == sorted(times)
    assert [item.due for item in watched.items if isinstance(item, Event)][:2] == [False, False]
    quay.play(b"\xcf\x00")
    watched.until(lambda: "from here on it is harbour" in watched.lines)
    quay.play(b"\xb0\x4a\x11")
    watched.until(lambda: "tug spray 17 5" in watched.lines)
    quay.input.ended(None)
    watched.until(lambda: watched.source.ended)
    assert watched.lines[-1] == "the input has ended"


def test_the_same_bytes_as_render(folder: Path, quay: Quay, watch: Watch) -> None:
    """What a dry run shows is what `render` writes for the same input, in the same order."""
    text = (
        RIG.replace("quay:stage", "file:set.tsv")
        .replace("quay:tug", "null:")
        .replace("quay:gull", "null:")
    )
    messages = [bytes((0x90 + n % 2, 48 + n % 24, n % 3 * 40)) for n in range(150)]
    messages[::7] = [bytes((0xB0, 74, n)) for n in range(len(messages[::7]))]
    log = "".join(f"{n / 500:.6f}\t{data.hex(' ').upper()}\n" for n, data in enumerate(messages))
    (folder / "set.tsv").write_text(log)
    (folder / "rig.yaml").write_text(text.partition("songs:")[0].replace(", wire: din", ""))
    rendering = ("render", str(folder / "rig.yaml"), str(folder / "set.tsv"))
    assert main([*rendering, "--out", str(folder)]) == 0
    watched = watch(open_direct(str(folder / "rig.yaml"), None))
    watched.until(lambda: watched.source.ended)
    for output in ("tug", "gull"):
        seen = [
            item.data.hex(" ").upper()
            for item in watched.items
            if isinstance(item, Event) and item.output == output
        ]
        rendered = (folder / f"{output}.tsv").read_text().splitlines()
        assert seen == [line.partition("\t")[2] for line in rendered][: len(seen)]
        assert len(seen) > 100


def test_the_input_alone(folder: Path, watch: Watch) -> None:
    (folder / "set.tsv").write_text("0.000000\tB0 4A 10\n")
    watched = watch(open_direct(None, f"file:{folder}/set.tsv", "; no service runs"))
    title = watched.source.setting.title
    assert title == f"the input file:{folder}/set.tsv alone, without a rig; no service runs"
    assert watched.hears(2) == ["None brightness 16 1", "the input has ended"]


def test_an_input_that_is_pulled_and_put_back(folder: Path, quay: Quay, watch: Watch) -> None:
    watched = watch(direct(folder, quay))
    quay.play(NOTE_ON)
    watched.hears(3)
    first = quay.input
    quay.pull("<stage")
    watched.until(lambda: watched.source.setting.input.state == "lost")
    lost = "input: quay:stage is lost; plug it in again, it goes on by itself"
    assert lost in watched.lines
    assert "tug note_off C3 64 5" in watched.lines  # as the rig would do
    assert first.closed == 1
    quay.put("<stage")
    watched.until(lambda: watched.source.setting.input.state == "open")
    assert watched.lines[-1] == "input: quay:stage is open"
    watched.lines.clear()
    quay.play(NOTE_ON)
    assert "tug note C3 100 5" in watched.hears(3)


def test_more_than_can_be_taken_is_counted(folder: Path, quay: Quay, watch: Watch) -> None:
    watched = watch(direct(folder, quay))
    for _ in range(ROOM + 70):
        quay.input.deliver(b"\xb0\x01\x10")
    watched.look()
    assert [item.count for item in watched.items if isinstance(item, Lost)] == [70]
    assert watched.scene.lost == 70
    assert watched.source.setting.title == "a dry run"


def test_a_plugin_that_fails_is_told(folder: Path, quay: Quay, watch: Watch) -> None:
    leaking(folder / "mine", "ValueError('fog')")
    text = RIG.partition("songs:")[0] + "plugins: {folders: [mine]}\n"
    text = text.replace("plugin: channel_remap, map: {1: 5}", "plugin: leak")
    watched = watch(direct(folder, quay, text))
    quay.play(NOTE_ON)
    watched.until(lambda: any("leak" in line and "fog" in line for line in watched.lines))


def test_a_broken_input_file_plays_to_where_it_breaks(folder: Path, run: Run) -> None:
    (folder / "set.tsv").write_text("0.000000\t90 3C 64\n0.001000\t90\n")
    code, out, err = run("watch", "--input", f"file:{folder}/set.tsv")
    assert code == 1
    assert "note C4 100 channel 1" in out
    assert err.startswith(f"{folder}/set.tsv:2:10: '90' is not one whole MIDI message;")


def test_what_is_delayed_is_waited_for_without_a_busy_loop(
    folder: Path, quay: Quay, watch: Watch
) -> None:
    watched = watch(direct(folder, quay, RIG.replace("wire: din", "delay: 60s")))
    quay.play(NOTE_ON)
    quay.input.ended(None)
    watched.until(lambda: not watched.source.ended and len(watched.lines) == 2)
    time.sleep(1.1)
    watched.look()
    assert not watched.source.ended
    assert watched.source.wait_s > 0.5


def test_bad_requests(folder: Path, run: Run) -> None:
    for arguments, code, line in (
        (("--kind", "nite"), 2, "there is no kind 'nite'; did you mean 'note'?"),
        (("--input", "null:", "--socket", "x"), 2, "--input reads a port, and --socket a service;"),
        (("--socket", "x"), 1, "no service answers (looked for x)"),
        (("none.yaml",), 2, "none.yaml:1:1: cannot be read: No such file or directory;"),
        (("--input", "file:none.tsv"), 3, "there is no file '"),
        (("--input", "file:none.txt"), 3, "there is no file '"),
    ):
        found = run("watch", *arguments)
        assert (found[0], found[1]) == (code, ""), arguments
        assert found[2].startswith(line)
        assert found[2].count("\n") == 1
    assert run("watch", "--channel", "17")[0] == 2


def test_json_for_scripts(folder: Path) -> None:
    (folder / "set.tsv").write_text("0.000000\t90 3C 64\n")
    text = (
        RIG.replace("quay:stage", "file:set.tsv")
        .replace("quay:tug", "null:")
        .replace("quay:gull", "null:")
    )
    (folder / "rig.yaml").write_text(text)
    command = [sys.executable, "-m", "pointsman.cli", "watch", "rig.yaml", "--json"]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=PATIENCE_S, check=True
    )
    first, *rest, last = map(json.loads, done.stdout.splitlines())
    assert first == {
        "watching": "rig", "rig": "harbour", "path": "rig.yaml", "input": "file:set.tsv",
        "outputs": ["tug", "gull"],
    }  # fmt: skip
    assert [(message["output"], message["text"]) for message in rest] == [
        (None, "note C3 100"), ("tug", "note C3 100"), ("gull", "note C3 100"),
    ]  # fmt: skip
    assert (last["says"], last["t"] >= rest[0]["t"]) == ("the input has ended", True)
