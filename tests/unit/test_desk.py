"""The desk: a real process on a real socket; whatever clients, files and plugins do to it."""

from __future__ import annotations

import io
import os
import pickle
import select
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from desk_kit import RIG, SOON_S, Harbour, gone, harbour, within

from pointsman.cli import main
from pointsman.live.client import ask
from pointsman.live.desk import LOOK_EVERY_S
from pointsman.live.desk_clients import IDLE_S, MOST_CLIENTS, MOST_TAPS
from pointsman.live.desk_link import unpack
from pointsman.live.handover import Loaded
from pointsman.live.paths import bind_control

STATUS = {"do": "status"}


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Harbour]:
    with harbour(tmp_path) as found:
        yield found


# ---- requests ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_", "kind", "arguments"),
    [
        ({"do": "status"}, "status", ()),
        ({"do": "sent", "output": "tug"}, "sent", ("tug",)),
        ({"do": "panic"}, "panic", ()),
        ({"do": "song", "song": "storm"}, "song", ("storm",)),
        ({"do": "song", "song": 2}, "song", (2,)),
        ({"do": "bypass", "output": "tug", "entry": 1}, "bypass", ("tug", 1, True)),
        ({"do": "bypass", "output": None, "entry": "a", "on": False}, "bypass", (None, "a", False)),
    ],
)
def test_a_request_comes_to_the_service_and_its_answer_back(
    place: Harbour, request_: dict[str, object], kind: str, arguments: tuple[object, ...]
) -> None:
    caller = place.call(request_)
    assert place.answer(kind, text="ŝip") == arguments
    assert caller.hear() == {"ok": True, "text": "ŝip"}


WRONG = {
    "not JSON": (b"status\n", "'status' is not JSON; write one JSON object a line, such as "),
    "binary": (bytes(range(128, 256)) + b"\n", " is not JSON; "),
    "no object": (b"[1]\n", "'[1]' is no JSON object; write for example "),
    "nested": (b"[" * 60000 + b"\n", " is not JSON; "),
    "a huge number": (b'{"do": ' + b"9" * 60000 + b"}\n", " is not JSON; "),
    "nothing to do": (
        b"{}\n",
        "there is no 'do'; there is status, reload, panic, song, bypass",
    ),
    "unknown": (b'{"do": "statsu"}\n', "unknown request 'statsu'; did you mean 'status'?"),
    "do of a list": (b'{"do": ["tap"]}\n', "unknown request ['tap']; "),
    "unknown key": (b'{"do": "song", "sogn": 1}\n', "unknown key 'sogn' of 'song'; did you mean"),
    "no song": (b'{"do": "song"}\n', "'song' is missing; give its name or its number"),
    "a song that is true": (b'{"do": "song", "song": true}\n', "'song' is a name or a number, not"),
    "no output": (b'{"do": "bypass", "entry": 1}\n', "'output' is missing; "),
    "an output of 3": (b'{"do": "bypass", "output": 3, "entry": 1}\n', "'output' is a name, or "),
    "on of 1": (b'{"do": "bypass", "output": "a", "entry": 1, "on": 1}\n', "'on' is true, to "),
    "a piece that is no number": (b'{"do": "recent", "piece": "7"}\n', "'piece' is a number, the"),
    "a piece below 0": (b'{"do": "recent", "piece": -1}\n', "'piece' is a number, the 'next' of"),
    "sent of nothing": (b'{"do": "sent"}\n', "'output' is missing; give its name"),
    "did of 1": (b'{"do": "tap", "did": 1}\n', "'did' is true, to be told what each entry did, or"),
    "lone surrogate": (b'{"do": "\\ud800"}\n', "unknown request '\\ud800'; "),
    "too long": (b"x" * 70000 + b"\n", "a request is longer than 64 KiB"),
    "far too long": (b"x" * 1_000_000 + b"\n", "a request is longer than 64 KiB"),
}


@pytest.mark.parametrize(("line", "error"), WRONG.values(), ids=WRONG)
def test_a_wrong_request_gets_one_line_and_the_next_is_served(
    place: Harbour, line: bytes, error: str
) -> None:
    caller = place.call(line, STATUS)
    answer = caller.hear()
    assert (answer["ok"], answer["wrong"]) == (False, True)
    assert error in answer["error"]
    assert len(answer["error"]) < 250
    assert answer["error"].isprintable()
    place.answer("status", n=1)
    assert caller.hear()["n"] == 1


def test_half_lines_are_put_together_and_blank_ones_passed_over(place: Harbour) -> None:
    caller = place.call(b'\n  \n{"do": "sta')
    place.quiet(0.1)
    caller.say(b'tus"}\n')
    place.answer("status", n=2)
    assert caller.hear()["n"] == 2


def test_a_last_line_without_an_end_counts_when_the_client_says_no_more(place: Harbour) -> None:
    caller = place.call(b'{"do": "status"}')
    caller.socket.shutdown(1)
    place.answer("status", n=3)
    assert caller.hear()["n"] == 3
    with pytest.raises(EOFError):
        caller.hear()


@pytest.mark.parametrize("kind", LOOK_EVERY_S)
def test_who_asks_how_it_is_again_and_again_does_not_keep_the_service_busy(
    place: Harbour, kind: str
) -> None:
    callers = [place.call() for _ in range(10)]
    begun, asked = time.monotonic(), 0
    for _ in range(20):
        for caller in callers:
            caller.say({"do": kind})
        waiting = [caller.socket for caller in callers]
        while waiting:
            time.sleep(0.002)
            place.said += place.link.take()
            if any(item[0] == kind for item in place.said):
                place.answer(kind)
                asked += 1
            served, _, _ = select.select(waiting, [], [], 0)
            waiting = [one for one in waiting if one not in served]
        assert all(caller.hear()["ok"] for caller in callers)
    assert asked <= (time.monotonic() - begun) / LOOK_EVERY_S[kind] + 1


def test_many_requests_at_once_are_answered_in_order(place: Harbour) -> None:
    caller = place.call(*[{"do": "song", "song": number} for number in range(50)])
    for number in range(50):
        assert place.answer("song", n=number) == (number,)
    assert [caller.hear()["n"] for _ in range(50)] == list(range(50))


def test_a_client_that_asks_and_never_reads_harms_nobody(place: Harbour) -> None:
    greedy = place.call()
    greedy.socket.setblocking(False)
    with pytest.raises(BlockingIOError):  # its requests are not even taken any more
        for _ in range(1000):
            greedy.socket.sendall(b"x\n" * 10_000)
    caller = place.call(STATUS)
    place.answer("status", n=4)
    assert caller.hear()["n"] == 4


def test_clients_that_go_away_in_the_middle(place: Harbour) -> None:
    for request in (b'{"do": "sta', b'{"do": "status"}\n', b'{"do": "reload"}\n'):
        place.call(request).close()
    place.call({"do": "tap"}).close()
    place.answer("status")
    place.answer("rig")
    assert place.next("tap") == ("tap", True, True)
    place.link.push([("in", 0, b"\xf8")] * 100)
    assert place.next("tap") == ("tap", False, False)
    caller = place.call(STATUS)
    place.answer("status", n=5)
    assert caller.hear()["n"] == 5


def test_a_service_that_does_not_answer_is_told_of(place: Harbour) -> None:
    begun = time.monotonic()
    caller = place.call(STATUS)
    _, number = place.next("status")
    assert caller.hear() == {"ok": False, "error": "the service does not answer"}
    assert time.monotonic() - begun > 4
    place.link.answer(number, {"ok": True, "late": 1})  # too late: it must not answer the next
    caller.say(STATUS)
    place.answer("status", n=6)
    assert caller.hear()["n"] == 6


def test_forty_clients_all_get_an_answer_and_the_last_still_comes_in(place: Harbour) -> None:
    callers = [place.call({"do": "panic"}) for _ in range(40)]
    for _ in range(MOST_CLIENTS):
        place.answer("panic")
    answers = [caller.hear() for caller in callers]
    assert [answer["ok"] for answer in answers] == [True] * MOST_CLIENTS + [False] * 8
    assert answers[-1]["error"] == "32 programs are connected; end one of them"
    place.quiet(IDLE_S + 0.1)
    late = place.call({"do": "panic"})  # the longest idle gives way
    place.answer("panic")
    assert late.hear() == {"ok": True}
    with pytest.raises(EOFError):
        callers[0].hear()


# ---- events --------------------------------------------------------------------------------------


def test_events_go_to_every_reader_until_the_last_has_gone(place: Harbour) -> None:
    one, two = place.call({"do": "tap"}), place.call({"do": "tap"})
    assert (one.hear(), two.hear()) == ({"ok": True}, {"ok": True})
    assert place.next("tap") == ("tap", True, True)
    events = [("in", 10**9, b"\x90\x3c\x64"), ("out", 10**9, "tug", b"\x94\x3c\x64")]
    assert place.link.push(events)
    line = {"t": 1.0, "in": "90 3C 64", "out": {"tug": ["94 3C 64"]}, "did": []}
    assert (one.hear(), two.hear()) == (line, line)
    one.close()
    two.say(STATUS)  # a reader may ask in between
    place.answer("status", n=1)
    assert two.hear()["n"] == 1
    assert not place.said
    two.close()
    assert place.next("tap") == ("tap", False, False)


def test_what_each_entry_did_is_asked_for_while_somebody_wants_it(place: Harbour) -> None:
    one = place.call({"do": "tap", "did": False})
    assert one.hear() == {"ok": True}
    assert place.next("tap") == ("tap", True, False)
    two = place.call({"do": "tap"})
    assert place.next("tap") == ("tap", True, True)
    three = place.call({"do": "tap", "did": False})
    assert three.hear() == {"ok": True}
    two.close()
    assert place.next("tap") == ("tap", True, False)
    one.say({"do": "tap", "did": True})  # a reader may change its mind
    assert place.next("tap") == ("tap", True, True)
    one.close()
    assert place.next("tap") == ("tap", True, False)
    three.close()
    assert place.next("tap") == ("tap", False, False)


def test_readers_that_never_read_lose_their_own_events_only(place: Harbour) -> None:
    slow = [place.call({"do": "tap"}) for _ in range(MOST_TAPS - 1)]
    quick = place.call({"do": "tap"})
    assert quick.hear() == {"ok": True}
    batch = [("in", number, b"\x90\x3c\x64") for number in range(500)]
    for _ in range(40):
        while not place.link.push(batch):
            place.quiet(0.01)
        assert all("in" in quick.hear() for _ in range(500))
    refused = place.call({"do": "tap"})
    assert refused.hear()["error"] == "24 programs read the events; end one of them"
    caller = place.call(STATUS)
    place.answer("status", n=1)
    assert caller.hear()["n"] == 1
    assert slow[0].hear() == {"ok": True}
    heard = lost = 0
    while heard + lost < 40 * 500:
        line = slow[0].hear()
        lost += line.get("lost", 0)
        heard += "in" in line
    assert heard + lost == 40 * 500
    assert heard > 1000
    assert lost > 1000
    place.link.push(batch[:1])  # it reads again: it gets what comes
    assert slow[0].hear()["in"] == "90 3C 64"


def test_a_desk_that_is_behind_gets_no_more_events(place: Harbour) -> None:
    os.kill(place.link.pid, signal.SIGSTOP)
    batch = [("in", number, b"\x90\x3c\x64") for number in range(2000)]
    begun = time.monotonic()
    results = [place.link.push(batch) for _ in range(100)]
    assert time.monotonic() - begun < 2
    assert (results[0], results[-1]) == (True, False)
    os.kill(place.link.pid, signal.SIGCONT)
    assert within(SOON_S, lambda: place.link.push([]))


# ---- loading -------------------------------------------------------------------------------------


def reload(place: Harbour) -> Loaded:
    """What a client's reload brings to the service."""
    caller = place.call({"do": "reload"})
    (loaded,) = place.answer("rig")
    assert caller.hear() == {"ok": True}
    caller.close()
    assert isinstance(loaded, Loaded)
    return loaded


def test_a_reload_brings_the_rig(place: Harbour) -> None:
    loaded = reload(place)
    assert loaded.problems == ()
    rig, _ = unpack(loaded)
    assert (rig.name, rig.path, len(rig.outputs[0].chain)) == ("harbour", place.rig, 1)
    assert loaded.files == (str(place.rig),)


def test_a_faulty_rig_brings_the_lines_that_check_prints(
    place: Harbour, capsys: pytest.CaptureFixture[str]
) -> None:
    place.rig.write_text("imput: {port: a}\noutputs: {tug: {prot: b, device: none.yaml}}\n")
    loaded = reload(place)
    assert main(["check", str(place.rig)]) == 2
    assert loaded.problems == tuple(capsys.readouterr().err.splitlines())
    assert len(loaded.problems) >= 4
    assert loaded.rig == b""
    assert loaded.files == (str(place.rig), str(place.rig.parent / "none.yaml"))


def test_warnings_come_with_a_rig_that_is_right(
    place: Harbour, capsys: pytest.CaptureFixture[str]
) -> None:
    (place.rig.parent / "tug.yaml").write_text("device: Tug\nchannel: 5\n")
    place.rig.write_text(
        RIG + "      - {plugin: channel_remap, map: {1: 7}}\n    device: tug.yaml\n"
    )
    loaded = reload(place)
    assert main(["check", str(place.rig)]) == 0
    assert loaded.warnings == tuple(capsys.readouterr().out.splitlines()[1:])
    assert len(loaded.warnings) == 1


def test_clients_that_reload_at_once_share_a_load(place: Harbour) -> None:
    callers = [place.call({"do": "reload"}) for _ in range(20)]
    loads = 0
    while callers:
        place.answer("rig")
        loads += 1
        place.quiet(0.2)
        ready, _, _ = select.select([caller.socket for caller in callers], [], [], 0)
        for caller in [caller for caller in callers if caller.socket in ready]:
            assert caller.hear() == {"ok": True}
            callers.remove(caller)
    assert 2 <= loads < 6  # the first to ask has the first; the rest share what is begun after it


def test_hup_loads_without_an_answer(place: Harbour) -> None:
    place.link.load()
    kind, number, loaded = place.next("rig")
    assert (kind, number, loaded.problems) == ("rig", 0, ())


def with_plugin(place: Harbour, body: str) -> None:
    """A rig that uses a plugin file of its own."""
    folder = place.rig.parent / "mine"
    folder.mkdir(exist_ok=True)
    (folder / "horn.py").write_text(textwrap.dedent(body))
    place.rig.write_text(RIG + "      - {plugin: horn, tone: low}\nplugins: {folders: [mine]}\n")


HORN = """
    from pointsman.plugin import Plugin, PluginOptions, hookimpl

    class Options(PluginOptions):
        tone: str = "high"

    class Horn(Plugin[Options]):
        \"\"\"Sounds.\"\"\"
        name = "horn"
        Options = Options

    @hookimpl
    def pointsman_plugins():
        return [Horn]
"""

BAD_PLUGINS = {
    "raises": ("raise OSError('no steam')", "could not be loaded: "),
    "exits": ("raise SystemExit(3)", "could not be loaded: "),
    "ends the process": ("import os; os._exit(3)", "loading ended with exit code 3; look at"),
    "is killed": ("import os; os.kill(os.getpid(), 11)", "loading was ended by SIGSEGV; look at"),
}


@pytest.mark.parametrize(("body", "line"), BAD_PLUGINS.values(), ids=BAD_PLUGINS)
def test_a_plugin_file_that_crashes_is_a_problem_line(place: Harbour, body: str, line: str) -> None:
    with_plugin(place, body)
    (problem,) = reload(place).problems
    assert problem.startswith(f"{place.rig}:")
    assert line in problem
    with_plugin(place, HORN)
    assert reload(place).problems == ()


def test_a_plugin_file_that_hangs_keeps_nobody_waiting(tmp_path: Path) -> None:
    command = (
        sys.executable, "-P", "-c",
        "import pointsman.live.loading as l, pointsman.live.desk as d; l.LONGEST_LOAD_S = 1; "
        "d.main()",
    )  # fmt: skip
    with harbour(tmp_path, command=command) as place:
        with_plugin(place, "while True: pass")
        waiting = place.call({"do": "reload"})
        caller = place.call(STATUS)
        place.answer("status", n=1)
        assert caller.hear()["n"] == 1
        (loaded,) = place.answer("rig")
        assert loaded.problems == (
            f"{place.rig}:1:1: loading takes longer than 1 s; look at the plugin files of the rig",
        )
        assert waiting.hear() == {"ok": True}
        with_plugin(place, HORN)
        assert reload(place).problems == ()


def test_options_that_cannot_be_handed_over_are_a_problem_line(place: Harbour) -> None:
    body = HORN.replace('tone: str = "high"', "tone: object = None").replace(
        "class Options(PluginOptions):",
        "from pydantic import model_validator\n    class Options(PluginOptions):\n"
        "        @model_validator(mode='after')\n"
        "        def hold(self):\n"
        "            object.__setattr__(self, 'tone', lambda: 1)\n"
        "            return self\n",
    )
    with_plugin(place, body)
    (problem,) = reload(place).problems
    assert problem.startswith(
        f"{place.rig}:8:9: outputs.tug.chain[2]: the options of 'horn' cannot be taken over by a "
        "running service ("
    )


# ---- watching ------------------------------------------------------------------------------------


def test_watching_loads_what_has_changed_and_tells_a_fault_once(tmp_path: Path) -> None:
    (tmp_path / "tug.yaml").write_text("device: Tug\nchannel: 5\n")
    with harbour(tmp_path, watch=True, rig=RIG + "    device: tug.yaml\n") as place:
        assert place.quiet(1.5) == []  # what runs already is not news

        (tmp_path / "tug.yaml").write_text("device: Tug\nchannel: 99\n")
        _, number, loaded = place.next("rig")
        assert (number, len(loaded.problems)) == (0, 1)
        os.utime(tmp_path / "tug.yaml")  # saved again with the same fault
        assert place.quiet(1.5) == []

        fresh = tmp_path / "tug.yaml~"  # as editors do: a new file in place of the old
        fresh.write_text("device: Tug\nchannel: 6\n")
        fresh.replace(tmp_path / "tug.yaml")
        _, _, loaded = place.next("rig")
        assert unpack(loaded)[0].outputs[0].device.channel == 6  # type: ignore[union-attr]

        place.rig.write_text(RIG + "    device: gull.yaml\n")
        _, _, loaded = place.next("rig")
        assert "gull.yaml" in loaded.problems[0]
        (tmp_path / "gull.yaml").write_text("device: Gull\n")  # what was missing comes
        _, _, loaded = place.next("rig")
        assert loaded.problems == ()


def test_watching_sees_plugin_files_come_and_change(tmp_path: Path) -> None:
    with harbour(tmp_path, watch=True) as place:
        assert place.quiet(1.0) == []
        with_plugin(place, HORN)
        assert place.next("rig")[2].problems == ()
        (tmp_path / "mine" / "horn.py").write_text(textwrap.dedent(HORN) + "VERSION = 2\n")
        assert place.next("rig")[2].local[0].source.endswith(b"VERSION = 2\n")
        (tmp_path / "mine" / "bell.py").write_text("raise OSError('no clapper')")
        _, troubles, _ = pickle_of(place.next("rig")[2])
        assert "no clapper" in str(troubles[0])
        (tmp_path / "mine" / ".horn.py.swp").write_text("an editor's own")
        assert place.quiet(1.5) == []


def pickle_of(loaded: Loaded) -> tuple[object, list[object], object]:
    unpack(loaded)

    class Reader(pickle.Unpickler):
        def persistent_load(self, pid: tuple[str, str]) -> object:
            return getattr(sys.modules[pid[0]], pid[1])

    found: tuple[object, list[object], object] = Reader(io.BytesIO(loaded.rig)).load()
    return found


# ---- the process ---------------------------------------------------------------------------------


def test_a_desk_that_was_killed_is_started_again_on_the_same_socket(place: Harbour) -> None:
    tapping = place.call({"do": "tap"})
    assert tapping.hear() == {"ok": True}
    place.next("tap")
    first = place.link.pid
    os.kill(first, signal.SIGKILL)
    assert within(SOON_S, lambda: not place.link.alive())
    waiting = place.call(STATUS)  # nobody is there, and yet it need not go away
    place.link.restart()
    assert place.link.pid != first
    assert place.next("tap") == ("tap", False)
    place.answer("status", n=1)
    assert waiting.hear()["n"] == 1
    with pytest.raises((EOFError, ConnectionError)):
        tapping.hear()


def test_a_desk_that_hangs_is_noticed(place: Harbour, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pointsman.live.desk_link.PING_EVERY_S", 0.1)
    monkeypatch.setattr("pointsman.live.desk_link.LONGEST_SILENCE_S", 3.0)
    place.call(STATUS)
    place.answer("status")  # it is there, and not only about to be
    assert place.link.alive()
    os.kill(place.link.pid, signal.SIGSTOP)
    place.quiet(4.0)
    assert not place.link.alive()
    place.link.restart()
    place.quiet(1.0)
    assert place.link.alive()


def test_a_desk_that_takes_long_to_begin_is_waited_for(
    place: Harbour, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a busy machine ending it for that would only have the next one begin again, for ever."""
    monkeypatch.setattr("pointsman.live.desk_link.PING_EVERY_S", 0.1)
    monkeypatch.setattr("pointsman.live.desk_link.LONGEST_SILENCE_S", 0.3)
    place.link.restart()
    os.kill(place.link.pid, signal.SIGSTOP)
    place.quiet(1.0)
    assert place.link.alive()
    monkeypatch.setattr("pointsman.live.desk_link.LONGEST_START_S", 0.5)
    assert not place.link.alive()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP, signal.SIGTERM])
def test_signals_that_are_meant_for_the_service_do_not_end_the_desk(
    place: Harbour, number: signal.Signals
) -> None:
    caller = place.call(STATUS)  # it is up
    place.answer("status")
    caller.hear()
    os.kill(place.link.pid, number)
    caller.say(STATUS)
    place.answer("status", n=1)
    assert caller.hear()["n"] == 1


def test_the_desk_ends_when_it_is_told_to(place: Harbour) -> None:
    pid = place.link.pid
    place.link.close()
    assert gone(pid)
    assert place.path.exists()


SERVICE = """
import sys, time
from pathlib import Path
from pointsman.live.desk_link import DeskLink
from pointsman.live.paths import bind_control
control = bind_control(Path(sys.argv[1]), {})
link = DeskLink(control.listening, sys.argv[2])
print(link.pid, flush=True)
while True:
    for kind, number, *_ in link.take():
        link.answer(number, {"ok": True})
    time.sleep(0.01)
"""


def test_the_desk_ends_within_a_second_after_a_kill_of_the_service(tmp_path: Path) -> None:
    rig = tmp_path / "harbour.yaml"
    rig.write_text(RIG)
    path = tmp_path / "control.sock"
    arguments = [sys.executable, "-c", SERVICE, str(path), str(rig)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as service:
        assert service.stdout is not None
        pid = int(service.stdout.readline())
        assert ask(STATUS, path) == {"ok": True}
        service.kill()
        service.wait()
        assert within(1.0, lambda: gone(pid))
    assert path.exists()  # not the desk's to remove
    bind_control(path, {}).close()  # and in nobody's way


def test_the_desk_leaves_no_load_behind(place: Harbour) -> None:
    for _ in range(20):
        reload(place)
    children = Path(f"/proc/{place.link.pid}/task/{place.link.pid}/children").read_text()
    assert children == ""
    assert len(os.listdir(f"/proc/{place.link.pid}/fd")) < 20


def test_starting_a_desk_again_leaks_nothing(place: Harbour) -> None:
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(3):
        pid = place.link.pid
        place.link.restart()
        assert gone(pid)
    assert len(os.listdir("/proc/self/fd")) == before


def is_granted_fifo() -> bool:
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    except OSError:
        return False
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    return True


@pytest.mark.skipif(not is_granted_fifo(), reason="real-time scheduling is not granted here")
def test_a_desk_of_a_real_time_service_is_ordinary_from_its_first_moment(tmp_path: Path) -> None:
    seen = tmp_path / "seen"
    look = f"import os; open({str(seen)!r}, 'w').write(str(os.sched_getscheduler(0)))"
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    try:
        with harbour(tmp_path, command=(sys.executable, "-c", look)):
            assert within(SOON_S, lambda: seen.exists() and seen.read_text() != "")
            assert os.sched_getscheduler(0) == os.SCHED_FIFO
    finally:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    assert seen.read_text() == str(os.SCHED_OTHER)
