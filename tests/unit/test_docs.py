"""Keeps README.md and docs/ true: what they show is run here, and what there is they name.

A `console` block holds commands (`$ …`) and what they print, in order; a line with only `…` stands
for any lines. A block whose first line is `# some/file.yaml` is that file, for what follows on the
page. With RENEW_GOLDEN=1 the pages are rewritten with what is printed now: read the difference.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tomllib
from argparse import ArgumentParser
from collections.abc import Iterator
from pathlib import Path
from socket import AF_INET, SOCK_DGRAM, socket

import pytest
from pydantic import BaseModel

from pointsman import load_rig
from pointsman.cli import _parser
from pointsman.controls import CONTROL_BY_NAME
from pointsman.device_file import ControlPart, DevicePart
from pointsman.registry import OWN_DISTRIBUTION, load_plugins
from pointsman.rig_model import (
    ChoosePart,
    ControlOpening,
    EntryPart,
    InputPart,
    OutputPart,
    PluginsPart,
    PressPart,
    ProgramOpening,
    RigPart,
    SafetyPart,
    SongsPart,
    UsePart,
)

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
CONFIGS = sorted((ROOT / "configs").glob("*.yaml"))

_BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_FILE = re.compile(r"# ([\w./-]+\.\w+)\n")
_LINK = re.compile(r"\]\(([^)#\s]+)(#[^)]*)?\)")
_ANY = "…"


def text(path: Path) -> str:
    return path.read_text("utf-8")


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def blocks(path: Path, *kinds: str) -> Iterator[str]:
    """The fenced blocks of a page that are of these kinds."""
    return (found[2] for found in _BLOCK.finditer(text(path)) if found[1] in kinds)


# ---- what is shown is what happens ---------------------------------------------------------------


class Shell:
    """Runs the commands of one page in a folder of its own."""

    def __init__(self, place: Path) -> None:
        self.place = place
        binaries = place / ".bin"
        binaries.mkdir()
        command = binaries / "pointsman"
        command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m pointsman.cli "$@"\n')
        command.chmod(0o755)
        self._environment = {**os.environ, "PATH": f"{binaries}:{os.environ['PATH']}"}

    def write(self, block: str) -> None:
        """Put the file there that a block is, if it is one."""
        if found := _FILE.match(block):
            path = self.place / found[1]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(block[found.end() :] if path.suffix == ".tsv" else block, "utf-8")

    def run(self, command: str) -> str:
        """What a command prints, on both streams together."""
        return subprocess.run(
            ["bash", "-c", command], cwd=self.place, env=self._environment, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
            timeout=120, check=False,
        ).stdout  # fmt: skip

    def replay(self, block: str) -> str:
        """A console block as it comes out now; what it left out stays left out."""
        lines = []
        for part in re.split(r"^(?=\$ )", block, flags=re.MULTILINE):
            if part:
                command, _, shown = part.partition("\n")
                printed = self.run(command[2:])
                lines.append(f"{command}\n{shown if matches(shown, printed) else printed}")
        return "".join(lines)


def matches(shown: str, printed: str) -> bool:
    """Whether a page shows what was printed, with `…` for lines that it leaves out."""
    parts = [re.escape(part) for part in shown.split(f"{_ANY}\n")]
    return re.fullmatch("(?:.*\n)*?".join(parts), printed) is not None


WITH_COMMANDS = [path for path in PAGES if any(blocks(path, "console"))]


@pytest.mark.parametrize("path", WITH_COMMANDS, ids=name)
def test_commands_print_what_the_page_shows(path: Path, tmp_path: Path) -> None:
    shell = Shell(tmp_path)

    def replay(found: re.Match[str]) -> str:
        if found[1] != "console":
            shell.write(found[2])
            return found[0]
        return f"```console\n{shell.replay(found[2])}```"

    page = text(path)
    now = _BLOCK.sub(replay, page)
    if os.environ.get("RENEW_GOLDEN"):
        path.write_text(now, "utf-8")
    assert now.splitlines() == page.splitlines()


def test_the_pages_show_commands() -> None:
    assert {name(path) for path in WITH_COMMANDS} >= {
        "README.md", "docs/commands.md", "docs/rig-file.md", "docs/writing-a-plugin.md",
    }  # fmt: skip


NOT_ALONE = ("# wrong", "plugins:", "device:", "songs:")
"""What marks rigs that are wrong, or that need files beside them."""

RIGS = [
    pytest.param(block, id=f"{name(path)}-{number}")
    for path in PAGES
    for number, block in enumerate(blocks(path, "yaml"), 1)
    if "outputs:" in block
    and not any(word in block for word in ("# wrong", "plugins:", "device:", "songs:"))
]


@pytest.mark.parametrize("rig", RIGS)
def test_every_rig_on_the_pages_loads(rig: str, tmp_path: Path) -> None:
    """Wrong ones, and those that need files beside them, are run with their page, above."""
    (tmp_path / "rig.yaml").write_text(rig, "utf-8")
    assert load_rig(tmp_path / "rig.yaml").outputs


@pytest.mark.parametrize("path", CONFIGS, ids=name)
def test_every_rig_in_configs_loads_and_says_what_to_change(path: Path) -> None:
    assert load_rig(path).outputs
    assert "# Change: " in text(path)


# ---- the plugins that the manual shows -----------------------------------------------------------


@pytest.fixture
def shown_plugins(tmp_path: Path) -> Path:
    """The folder that a reader of writing-a-plugin.md has."""
    shell = Shell(tmp_path)
    for block in blocks(ROOT / "docs" / "writing-a-plugin.md", "python"):
        shell.write(block)
    return tmp_path / "my-plugins"


def test_the_plugin_on_the_page_passes_its_own_test(shown_plugins: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", os.devnull,
         "--rootdir", ".", "my-tests"],
        cwd=shown_plugins.parent, env={**os.environ, "PYTHONPATH": str(shown_plugins)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "1 passed" in done.stdout, done.stdout + done.stderr


def test_the_kind_of_port_on_the_page_carries_messages(shown_plugins: Path) -> None:
    """In by one datagram, out by another, through `run`."""
    with socket(AF_INET, SOCK_DGRAM) as here, socket(AF_INET, SOCK_DGRAM) as free:
        here.bind(("127.0.0.1", 0))
        here.settimeout(20)
        free.bind(("127.0.0.1", 0))
        listening = free.getsockname()
        free.close()
        (shown_plugins.parent / "udp.yaml").write_text(
            f"input: {{port: 'udp:{listening[1]}'}}\noutputs:\n  tug:\n"
            f"    port: 'udp:{here.getsockname()[1]}'\n"
            "    chain: [{plugin: channel_remap, map: {1: 5}}]\n"
            "plugins: {folders: [my-plugins]}\n"
        )
        running = subprocess.Popen(
            [sys.executable, "-m", "pointsman.cli", "run", str(shown_plugins.parent / "udp.yaml")],
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert running.stderr is not None
        with running, running.stderr:
            assert "ready" in running.stderr.readline()
            here.sendto(b"\x90\x3c\x64", listening)
            assert here.recv(100) == b"\x94\x3c\x64"
            running.send_signal(signal.SIGINT)
            assert running.wait(20) == 0
        assert here.recv(100) == b"\x84\x3c\x40"


# ---- the newcomer's two lines --------------------------------------------------------------------


def marked(mark: str) -> str:
    """The command in README.md that stands below this mark."""
    found = re.search(rf"<!-- {mark} -->\n```sh\n(.*)\n```", text(ROOT / "README.md"))
    assert found, f"README.md has no one-line command below <!-- {mark} -->"
    return found[1]


def test_the_demo_and_the_tests_are_one_line_each_and_need_only_python() -> None:
    for mark, end in (("the demo", ".venv/bin/pointsman demo"), ("the tests", "-m pytest")):
        line = marked(mark)
        assert line.startswith("python3 -m venv --system-site-packages .venv && ")
        assert line.endswith(end)
        assert "--group" not in line  # pip 23.0 of Debian 12 has no such option


def test_the_extras_that_the_readme_names_are_there() -> None:
    project = tomllib.loads(text(ROOT / "pyproject.toml"))["project"]
    named = set(re.findall(r"'\.\[(\w+)\]'", text(ROOT / "README.md")))
    assert named == {"midi", "report", "test"} <= set(project["optional-dependencies"])


# ---- what there is has a place in the manual -----------------------------------------------------


def test_links_lead_somewhere() -> None:
    for path in [*PAGES, ROOT / "CHANGELOG.md", *(ROOT / "docs" / "plugins").glob("*.md")]:
        for link, _ in _LINK.findall(text(path)):
            if "://" not in link:
                assert (path.parent / link).exists(), f"{name(path)} links to {link}"


def test_every_page_is_in_the_manual() -> None:
    manual = text(ROOT / "docs" / "README.md")
    pages = [*(ROOT / "docs").glob("*.md"), *(ROOT / "docs" / "plugins").glob("*.md")]
    for path in pages:
        link = path.relative_to(ROOT / "docs")
        assert f"]({link})" in manual or link == Path("README.md"), link


COMMANDS: dict[str, ArgumentParser] = next(
    action.choices for action in _parser()._actions if isinstance(action.choices, dict)
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_documented_with_all_its_options(command: str) -> None:
    page = text(ROOT / "docs" / "commands.md")
    section = page.partition(f"\n## {command}")[2].partition("\n## ")[0]
    assert "$ pointsman" in section or "```text" in section
    for action in COMMANDS[command]._actions:
        for option in action.option_strings:
            if option.startswith("--") and option != "--help":
                assert f"`{option}" in section, f"{command} {option}"
    assert f"pointsman {command}" in text(ROOT / "README.md")


def test_every_plugin_is_documented() -> None:
    registry = load_plugins()
    shipped = [n for n in registry.plugins if registry.sources[n].origin == OWN_DISTRIBUTION]
    manual = text(ROOT / "docs" / "README.md")
    assert shipped
    assert [plugin for plugin in shipped if f"](plugins/{plugin}.md)" not in manual] == []


KEYS: list[tuple[str, type[BaseModel]]] = [
    ("rig-file.md", part)
    for part in (RigPart, InputPart, OutputPart, SafetyPart, PluginsPart, EntryPart, UsePart,
                 ProgramOpening, ControlOpening, PressPart)
] + [("songs.md", part) for part in (SongsPart, ChoosePart)] + [
    ("device-files.md", part) for part in (DevicePart, ControlPart)
]  # fmt: skip


@pytest.mark.parametrize(("page", "part"), KEYS, ids=lambda value: getattr(value, "__name__", ""))
def test_every_key_is_documented(page: str, part: type[BaseModel]) -> None:
    found = text(ROOT / "docs" / page)
    for key, field in part.model_fields.items():
        assert f"`{field.alias or key}`" in found, key


def test_the_control_names_that_the_manual_lists_are_known() -> None:
    table = text(ROOT / "docs" / "rig-file.md").partition("<!-- control names -->")[2]
    names = re.findall(r"\b[a-z]+(?:_[a-z0-9]+)*\b", table.partition("<!-- end -->")[0])
    assert set(names) <= set(CONTROL_BY_NAME)
    assert len(names) > 20


def test_the_developers_page_has_every_module() -> None:
    page = text(ROOT / "DEVELOPERS.md")
    for path in [*(ROOT / "src" / "pointsman").rglob("*.py")]:
        module = str(path.relative_to(ROOT / "src" / "pointsman"))
        shown = module.removesuffix("/__init__.py") + "/" if "/__init__" in module else module
        assert f"`{shown}`" in page or module == "__init__.py", shown


def test_the_example_plugin_is_packaged_as_the_page_says() -> None:
    (shown,) = (b for b in blocks(ROOT / "docs" / "writing-a-plugin.md", "toml"))
    example = tomllib.loads(text(ROOT / "docs" / "example-plugin" / "pyproject.toml"))
    assert tomllib.loads(shown)["project"]["entry-points"] == example["project"]["entry-points"]
