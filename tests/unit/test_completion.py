"""What Tab offers: through the real shells, with the script that the command prints."""

from __future__ import annotations

import argparse
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from pointsman import cli, completion
from pointsman.live import client

RIG = """\
input: {port: "null:"}
outputs: {tug: {port: "null:"}, "deep gull": {port: "null:"}, gull: {port: "null:"}}
songs: {rigs: {calm: calm.yaml, storm: storm.yaml}}
"""


def subcommands(parser: argparse.ArgumentParser, *path: str) -> list[str]:
    """The commands below a command, as the parser has them."""
    for step in ("", *path):
        parser = _below(parser)[step] if step else parser
    return sorted(_below(parser))


def _below(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return next(dict(a.choices) for a in parser._actions if isinstance(a.choices, dict))


@pytest.fixture(autouse=True)
def harbour(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a rig, its songs, an input and a device file; `pointsman` is on the path."""
    binaries = tmp_path / ".bin"
    binaries.mkdir()
    command = binaries / "pointsman"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m pointsman.cli "$@"\n')
    command.chmod(0o755)
    monkeypatch.setenv("PATH", str(binaries), prepend=":")
    monkeypatch.setenv("POINTSMAN_SOCKET", str(tmp_path / "no-such"))
    (tmp_path / "harbour.yaml").write_text(RIG)
    (tmp_path / "broken.yaml").write_text("outputs: [")
    (tmp_path / "set.mid").write_bytes(b"")
    (tmp_path / "notes.txt").write_text("")
    (tmp_path / "devices").mkdir()
    (tmp_path / "devices" / "tug.yaml").write_text("device: Tug\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def scripts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("scripts")
    files = {"bash": "pointsman.bash", "zsh": "_pointsman", "fish": "pointsman.fish"}
    for shell, name in files.items():
        (folder / name).write_text(completion.script(cli._parser(), shell))
    return {shell: folder / name for shell, name in files.items()}


# ---- bash ----------------------------------------------------------------------------------------


def bash(script: Path, line: str) -> list[str]:
    """What bash offers for a line, whose last word is being typed."""
    words = line.split(" ")
    program = (
        f"source {shlex.quote(str(script))}; COMP_WORDS=({' '.join(map(shlex.quote, words))}); "
        f"COMP_CWORD={len(words) - 1}; "
        f"$(complete -p pointsman | sed 's/.*-F \\([^ ]*\\).*/\\1/') pointsman; "
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(
        ["bash", "--norc", "-c", program], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stderr == ""
    return sorted(set(done.stdout.split()))


def test_bash_offers_every_command(scripts: dict[str, Path]) -> None:
    offered = bash(scripts["bash"], "pointsman ")
    assert [word for word in offered if not word.startswith("-")] == subcommands(cli._parser())
    assert bash(scripts["bash"], "pointsman ru") == ["run"]
    below = bash(scripts["bash"], "pointsman device ")
    assert [w for w in below if not w.startswith("-")] == subcommands(cli._parser(), "device")


OFFERED = {
    "options": ("pointsman run --w", ["--wait", "--watch"]),
    "rigs": ("pointsman check ha", ["harbour.yaml"]),
    "inputs of a render": ("pointsman render harbour.yaml s", ["set.mid"]),
    "device files": ("pointsman device check devices/", ["devices/tug.yaml"]),
    "folders": ("pointsman render harbour.yaml set.mid --out d", ["devices"]),
    "outputs": ("pointsman bypass ", ["gull", "tug"]),
    "an output that is begun": ("pointsman bypass t", ["tug"]),
    "songs": ("pointsman song s", ["storm"]),
    "shells": ("pointsman completion b", ["bash"]),
}


@pytest.mark.parametrize(("line", "words"), OFFERED.values(), ids=OFFERED)
def test_bash_offers_what_fits(scripts: dict[str, Path], line: str, words: list[str]) -> None:
    offered = [word for word in bash(scripts["bash"], line) if words[0][0] == "-" or word[0] != "-"]
    assert offered == words


# ---- zsh and fish --------------------------------------------------------------------------------


@pytest.mark.skipif(not shutil.which("zsh"), reason="needs zsh (Debian: zsh)")
def test_zsh_completes(scripts: dict[str, Path], tmp_path: Path) -> None:
    """At a terminal: Tab, and what the line becomes."""
    terminal = pexpect.spawn("zsh", ["-f"], encoding="utf-8", timeout=60, dimensions=(24, 120))
    terminal.delaybeforesend = None
    terminal.sendline(f"PS1='quay> '; fpath=({scripts['zsh'].parent} $fpath)")
    terminal.sendline(f"autoload -U compinit; compinit -u -d {tmp_path}/dump; echo rea''dy")
    terminal.expect_exact("ready")
    for typed, becomes in (("rel", "oad"), ("check harb", "our.yaml"), ("song sto", "rm")):
        terminal.send(f"pointsman {typed}\t")
        terminal.expect_exact(typed)
        terminal.expect_exact(becomes)
        terminal.sendcontrol("u")
    terminal.kill(signal.SIGKILL)
    terminal.close(force=True)


@pytest.mark.skipif(not shutil.which("fish"), reason="needs fish (Debian: fish)")
def test_fish_completes(scripts: dict[str, Path]) -> None:
    expected = {
        "pointsman rel": ["reload"],
        "pointsman check ha": ["harbour.yaml"],
        "pointsman bypass ": ["gull", "tug"],
    }
    asking = "; ".join(f"complete -C {shlex.quote(line)}; echo" for line in expected)
    done = subprocess.run(
        ["fish", "--no-config", "-c", f"source {scripts['fish']}; {asking}"],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    offered = [part.splitlines() for part in done.stdout.split("\n\n")]
    found = [sorted(each.split("\t")[0] for each in part if each) for part in offered if part]
    assert found == list(expected.values())


# ---- names, and what is missing ------------------------------------------------------------------


def test_names_of_the_running_service_come_first(
    monkeypatch: pytest.MonkeyPatch, harbour: Path
) -> None:
    def ask(request: dict[str, object], path: Path | None = None) -> dict[str, object]:
        assert request == {"do": "status"}
        return {"ok": True, "outputs": {"buoy": {}, "tug": {}}, "songs": ["calm", "fog"]}

    monkeypatch.setattr(client, "ask", ask)
    assert completion.known_names("outputs", harbour) == ["buoy", "tug", "gull"]
    assert completion.known_names("songs", harbour) == ["calm", "fog", "storm"]


def test_without_a_service_or_a_rig_there_is_no_name_and_no_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path / "devices")
    assert cli.main(["completion", "outputs"]) == 0
    assert capsys.readouterr() == ("", "")


def test_without_shtab_it_says_how_to_get_it(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "shtab", None)
    assert cli.main(["completion", "bash"]) == 1
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "pip install 'pointsman[completion]'" in printed.err
    assert printed.err.count("\n") == 1


def test_an_unknown_shell_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        cli.main(["completion", "shell"])
    assert end.value.code == 2
    assert "'bash', 'zsh', 'fish'" in capsys.readouterr().err
