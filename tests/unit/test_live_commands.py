"""The commands that talk to a running service: what each asks, prints, and ends with."""

from __future__ import annotations

import copy
import json
import shlex
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from desk_kit import Harbour, harbour
from test_status_view import SHOWN, STATUS

from pointsman.cli import main
from pointsman.live import desk_clients, requests


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Harbour]:
    with harbour(tmp_path) as found:
        monkeypatch.setenv("POINTSMAN_SOCKET", str(found.path))
        yield found


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process: exit code, stdout, stderr."""

    def call(*arguments: str) -> tuple[int, str, str]:
        try:
            code = main(arguments)
        except SystemExit as end:
            code = int(end.code or 0)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return call


@contextmanager
def answering(place: Harbour, kind: str, answer: dict[str, Any]) -> Iterator[list[Any]]:
    """The service answers one request of this kind; the list is filled with its arguments."""
    got: list[Any] = []
    service = threading.Thread(target=lambda: got.extend(place.answer(kind, **answer)))
    service.start()
    yield got
    service.join()


def test_status_as_tables_as_data_and_as_a_line(place: Harbour, run: Run) -> None:
    with answering(place, "status", STATUS):
        assert run("status") == (0, SHOWN + "\n", "")
    with answering(place, "status", STATUS):
        code, out, err = run("status", "--json")
    data = copy.deepcopy(STATUS)
    del data["ok"]
    assert (code, json.loads(out), err) == (0, data, "")
    with answering(place, "status", STATUS):
        code, out, err = run("status", "--line", "--socket", str(place.path))
    assert (code, err, out.count("\n")) == (0, "", 1)
    assert out.startswith("rig=harbour song=storm ")


def test_both_forms_at_once_are_refused(place: Harbour, run: Run) -> None:
    assert run("status", "--json", "--line")[0] == 2


@pytest.mark.parametrize("status", [{"outputs": []}, {}, {**STATUS, "outputs": {"tug": 3}}])
@pytest.mark.parametrize("form", [(), ("--line",)])
def test_a_status_of_another_version(
    place: Harbour, run: Run, status: dict[str, Any], form: tuple[str, ...]
) -> None:
    with answering(place, "status", status):
        code, out, err = run("status", *form)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert err.startswith("the service is of another version")


def test_reload(place: Harbour, run: Run) -> None:
    with answering(place, "rig", {"rig": "harbour", "warnings": ["a.yaml:1:1: warning: b"]}):
        assert run("reload") == (0, "Reloaded: harbour.\na.yaml:1:1: warning: b\n", "")


def test_a_refused_reload_gives_every_line(place: Harbour, run: Run) -> None:
    refused = {
        "ok": False,
        "error": "the running one plays on",
        "problems": ["a:1:1: x", "b:2:2: y"],
    }
    with answering(place, "rig", refused):
        assert run("reload") == (1, "", "a:1:1: x\nb:2:2: y\nthe running one plays on\n")


def test_panic(place: Harbour, run: Run) -> None:
    with answering(place, "panic", {}):
        assert run("panic") == (0, "Everything is silenced.\n", "")


@pytest.mark.parametrize(("word", "asked"), [("storm", "storm"), ("2", 2), ("0", 0)])
def test_song(place: Harbour, run: Run, word: str, asked: object) -> None:
    with answering(place, "song", {"at": "bar"}) as got:
        assert run("song", word) == (0, f"Song {word}: at the next bar.\n", "")
    assert got == [asked]
    with answering(place, "song", {"at": "now"}):
        assert run("song", word) == (0, f"Song {word}: now.\n", "")


BYPASS = {
    "by number": (["tug", "2"], ["tug", 2, True], "tug: one voice is bypassed.\n"),
    "by label": (["tug", "one voice"], ["tug", "one voice", True], "tug: one voice is bypassed.\n"),
    "again": (["tug", "2", "--off"], ["tug", 2, False], "tug: one voice is in the chain again.\n"),
    "input": (["--input", "1"], [None, 1, True], "input: one voice is bypassed.\n"),
}


@pytest.mark.parametrize(("words", "asked", "said"), BYPASS.values(), ids=BYPASS)
def test_bypass(place: Harbour, run: Run, words: list[str], asked: list[Any], said: str) -> None:
    with answering(place, "bypass", {"entry": "one voice"}) as got:
        assert run("bypass", *words) == (0, said, "")
    assert got == asked


@pytest.mark.parametrize("words", [["1"], ["--input", "tug", "1"]])
def test_bypass_needs_an_output_or_the_input(place: Harbour, run: Run, words: list[str]) -> None:
    code, out, err = run("bypass", *words)
    assert (code, out) == (2, "")
    assert err.startswith("name the output and the entry, such as: pointsman bypass tug 2; ")
    assert not place.said


@pytest.mark.parametrize(("wrong", "code"), [(True, 2), (False, 1)])
def test_a_refusal_says_whether_the_words_were_wrong(
    place: Harbour, run: Run, wrong: bool, code: int
) -> None:
    with answering(place, "song", {"ok": False, "error": "no song 'x'", "wrong": wrong}):
        assert run("song", "x") == (code, "", "no song 'x'\n")


@pytest.mark.parametrize("line", ["status", "reload", "panic", "song 1", "bypass tug 1"])
def test_without_a_service_each_ends_with_1_and_one_line(
    run: Run, tmp_path: Path, line: str
) -> None:
    code, out, err = run(*line.split(), "--socket", str(tmp_path / "none.sock"))
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert err.startswith(f"no service answers (looked for {tmp_path}/none.sock); start one: ")


@pytest.mark.parametrize("command", ["status", "reload", "panic", "song", "bypass"])
def test_the_example_in_the_help_works(place: Harbour, run: Run, command: str) -> None:
    _, out, _ = run(command, "--help")
    example = out.partition("example: pointsman ")[2].splitlines()[0]
    with answering(place, "rig" if command == "reload" else command, STATUS):
        code, _, err = run(*shlex.split(example))
    assert code == 0, err


def test_the_scripts_of_the_manual_work(place: Harbour) -> None:
    page = (Path(__file__).parents[2] / "docs" / "control-socket.md").read_text("utf-8")
    asking, listening = (part.partition("```")[0] for part in page.split("```python\n")[1:])
    with answering(place, "status", STATUS):
        asked = subprocess.run([sys.executable, "-c", asking], capture_output=True, text=True)
    assert (asked.stdout, asked.stderr) == ("harbour is playing\n", "")
    command = [sys.executable, "-u", "-c", listening]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as script:
        assert place.next("tap") == ("tap", True, True)
        place.link.push([("in", 10**9, b"\xf8"), ("out", 10**9, "tug", b"\xf8")])
        assert script.stdout is not None
        assert script.stdout.readline() == "1.0 F8 {'tug': ['F8']}\n"
        script.kill()


def test_the_manual_names_every_request() -> None:
    page = (Path(__file__).parents[2] / "docs" / "control-socket.md").read_text("utf-8")
    assert all(f'{{"do": "{do}"' in page for do in requests._KEYS)
    assert f"At most {desk_clients.MOST_TAPS} programs" in page
    assert f"and {desk_clients.MOST_CLIENTS} be connected" in page
