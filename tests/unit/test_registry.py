"""Where plugins come from: distributions and folders, one at a time, none able to stop another."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from textwrap import dedent

import pytest

from pointsman import RigError, load_rig
from pointsman.registry import Registry, load_plugins

SHIPPED = {
    "cc_reset", "cc_scale", "channel_remap", "clock_filter", "message_filter", "note_limit",
}  # fmt: skip

WINCH = """
from pointsman.plugin import Plugin, hookimpl

class Winch(Plugin):
    "Turns."
    name = "winch"

@hookimpl
def pointsman_plugins():
    return [Winch]
"""
"""A plugin that does nothing, in as few words as there are."""


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of installed packages; what was imported from it is forgotten afterwards."""
    folder = tmp_path / "site"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    before = set(sys.modules)
    yield folder
    for name in set(sys.modules) - before:
        del sys.modules[name]


def install(site: Path, distribution: str, points: dict[str, str], **modules: str) -> None:
    """Put a distribution there as an installer would: its modules, and its entry points."""
    for module, text in modules.items():
        (site / f"{module}.py").write_text(dedent(text))
    info = site / f"{distribution}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1.0\n")
    lines = [f"{name} = {module}\n" for name, module in points.items()]
    (info / "entry_points.txt").write_text("[pointsman.plugins]\n" + "".join(lines))


def folder(tmp_path: Path, **files: str) -> Path:
    """A folder of loose plugin files."""
    found = tmp_path / "mine"
    found.mkdir()
    for name, text in files.items():
        (found / f"{name}.py").write_text(dedent(text))
    return found


def troubles(registry: Registry, tmp_path: Path) -> list[str]:
    return [str(trouble).replace(f"{tmp_path}/", "") for trouble in registry.troubles]


def test_the_shipped_plugins_are_there_and_come_first() -> None:
    registry = load_plugins()
    assert set(registry.plugins) >= SHIPPED
    assert {registry.sources[name].origin for name in SHIPPED} == {"pointsman"}


# ---- distributions -------------------------------------------------------------------------------


def test_a_distribution_brings_its_plugins(site: Path) -> None:
    install(site, "harbour-gear", {"winch": "harbour_gear"}, harbour_gear=WINCH)
    registry = load_plugins()
    assert registry.sources["winch"].origin == "harbour-gear"
    assert registry.troubles == []


BROKEN = {
    "it does not parse": ("def:", "'winch' does not import: SyntaxError: "),
    "it needs what is not there": (
        "import no_such_module_anywhere",
        "'winch' does not import: ModuleNotFoundError: No module named 'no_such_module_anywhere'",
    ),
    "it raises": ("1 / 0", "'winch' does not import: ZeroDivisionError: division by zero"),
    "it tries to end the program": (
        "raise SystemExit(3)",
        "'winch' does not import: SystemExit: 3",
    ),
    "it offers nothing": ("x = 1", "'winch' offers no plugin; see docs/writing-a-plugin.md"),
    "a misspelt hook": (
        WINCH.replace("def pointsman_plugins", "def pointsman_plugin"),
        "'winch' is no plugin module: PluginValidationError: ",
    ),
    "its hook raises": (
        WINCH.replace("return [Winch]", "return [Wench]"),
        "'winch' is no plugin module: NameError: ",
    ),
    "a hook with arguments of its own": (
        WINCH.replace("pointsman_plugins()", "pointsman_plugins(boat)"),
        "'winch' is no plugin module: PluginValidationError: ",
    ),
    "no plugin class": (
        WINCH.replace("[Winch]", "[5]"),
        "5 is no plugin: subclass pointsman.plugin.Plugin",
    ),
    "a plugin without a name": (
        WINCH.replace('name = "winch"', ""),
        "Winch needs a 'name' of lower-case letters, digits and underscores",
    ),
    "a name with a blank": (
        WINCH.replace('"winch"', '"the winch"'),
        "Winch needs a 'name' of lower-case letters, digits and underscores",
    ),
    "an option that every entry has": (
        WINCH.replace("import Plugin,", "import Plugin, PluginOptions,").replace(
            'name = "winch"',
            'name = "winch"\n    class Options(PluginOptions):\n        label: str',
        ),
        "'winch' declares label, which every entry has already",
    ),
}


@pytest.mark.parametrize(("text", "what"), BROKEN.values(), ids=BROKEN)
def test_a_broken_distribution_is_reported_and_stops_no_other(
    site: Path, text: str, what: str
) -> None:
    install(site, "broken-gear", {"winch": "broken_gear"}, broken_gear=text)
    good = WINCH.replace("winch", "crane")
    install(site, "harbour-gear", {"crane": "harbour_gear"}, harbour_gear=good)
    registry = load_plugins()
    assert set(registry.plugins) >= {*SHIPPED, "crane"}
    assert "winch" not in registry.plugins
    (trouble,) = registry.troubles
    assert str(trouble).startswith(f"broken-gear: {what}")
    assert "\n" not in str(trouble)


def test_a_rig_that_wants_what_is_broken_is_told_why(site: Path, tmp_path: Path) -> None:
    install(site, "broken-gear", {"winch": "broken_gear"}, broken_gear="1 / 0")
    rig = tmp_path / "rig.yaml"
    rig.write_text("input: {port: a}\noutputs: {tug: {port: b, chain: [{plugin: winch}]}}\n")
    with pytest.raises(RigError) as caught:
        load_rig(rig)
    assert str(caught.value) == (
        f"{rig}:2:43: outputs.tug.chain[1].plugin: the plugin 'winch' could not be loaded: "
        "broken-gear: 'winch' does not import: ZeroDivisionError: division by zero"
    )


def test_no_distribution_displaces_a_shipped_plugin(site: Path) -> None:
    before = load_plugins().plugins["note_limit"]
    text = WINCH.replace('"winch"', '"note_limit"')
    install(site, "a-gear", {"note_limit": "a_gear"}, a_gear=text)
    registry = load_plugins()
    assert registry.plugins["note_limit"] is before
    assert [str(trouble) for trouble in registry.troubles] == [
        "a-gear: the name 'note_limit' is taken by pointsman; give this one another name"
    ]


def test_of_two_distributions_the_first_by_name_keeps_the_name(site: Path) -> None:
    install(site, "z-gear", {"winch": "z_gear"}, z_gear=WINCH)
    install(site, "a-gear", {"winch": "a_gear"}, a_gear=WINCH)
    registry = load_plugins()
    assert registry.sources["winch"].origin == "a-gear"
    assert [str(trouble) for trouble in registry.troubles] == [
        "z-gear: the name 'winch' is taken by a-gear; give this one another name"
    ]


# ---- folders -------------------------------------------------------------------------------------


def test_loose_files_come_from_where_they_lie(tmp_path: Path) -> None:
    place = folder(tmp_path, winch=WINCH)
    registry = load_plugins([place])
    assert registry.sources["winch"].origin == str(place / "winch.py")
    assert registry.sources["winch"].local
    assert not registry.sources["note_limit"].local


def test_loose_files_are_read_in_the_order_of_their_names(tmp_path: Path) -> None:
    place = folder(tmp_path, c=WINCH, a=WINCH, b=WINCH.replace("winch", "crane"))
    registry = load_plugins([place])
    assert registry.sources["winch"].origin == str(place / "a.py")
    assert troubles(registry, tmp_path) == [
        "mine/c.py: the name 'winch' is taken by "
        f"{place / 'a.py'}; give this one another name".replace(f"{tmp_path}/", "")
    ]


def test_loose_files_of_one_name_in_folders_of_one_name_are_told_apart(tmp_path: Path) -> None:
    places = []
    for parent, name in (("north", "winch"), ("south", "crane")):
        place = tmp_path / parent / "mine"
        place.mkdir(parents=True)
        (place / "gear.py").write_text(WINCH.replace("winch", name))
        places.append(place)
    registry = load_plugins(places)
    assert set(registry.plugins) >= {"winch", "crane"}
    assert registry.troubles == []


def test_a_file_that_others_may_write_is_refused(tmp_path: Path) -> None:
    place = folder(tmp_path, winch=WINCH)
    (place / "winch.py").chmod(0o666)
    registry = load_plugins([place])
    assert "winch" not in registry.plugins
    assert troubles(registry, tmp_path) == [
        "mine/winch.py: others may write to this file; chmod o-w it"
    ]


def test_a_broken_file_stops_no_other(tmp_path: Path) -> None:
    place = folder(tmp_path, a="1 / 0", b="def:", winch=WINCH)
    registry = load_plugins([place])
    assert "winch" in registry.plugins
    assert [line.partition(": ")[0] for line in troubles(registry, tmp_path)] == [
        "mine/a.py", "mine/b.py",
    ]  # fmt: skip


def test_a_misspelt_hook_in_a_file_is_an_error(tmp_path: Path) -> None:
    place = folder(tmp_path, winch=WINCH.replace("def pointsman_plugins", "def pointsman_plugs"))
    registry = load_plugins([place])
    assert "winch" not in registry.plugins
    (line,) = troubles(registry, tmp_path)
    assert line.startswith("mine/winch.py: 'winch' is no plugin module: PluginValidationError: ")
    assert "pointsman_plugs" in line


# ---- kinds of port -------------------------------------------------------------------------------

PORT = """
from pointsman.plugin import hookimpl
from pointsman.ports import PortBackend

class Bottles(PortBackend):
    scheme = "bottle"
    def open_input(self, name): raise NotImplementedError
    def open_output(self, name): raise NotImplementedError

@hookimpl
def pointsman_ports():
    return [Bottles()]
"""


def test_a_plugin_module_may_bring_a_kind_of_port(tmp_path: Path) -> None:
    registry = load_plugins([folder(tmp_path, bottle=PORT)])
    assert list(registry.ports) == ["bottle"]
    assert registry.troubles == []


TAKEN = ["null", "file", "virtual", "serial"]


@pytest.mark.parametrize("scheme", TAKEN)
def test_no_plugin_can_take_a_kind_of_port_that_is_there(tmp_path: Path, scheme: str) -> None:
    text = PORT.replace('"bottle"', f'"{scheme}"')
    registry = load_plugins([folder(tmp_path, bottle=text)])
    assert troubles(registry, tmp_path) == [
        f"mine/bottle.py: the kind of port '{scheme}:' is taken; rename this one"
    ]


def test_two_kinds_of_port_of_one_name_are_told(tmp_path: Path) -> None:
    registry = load_plugins([folder(tmp_path, a=PORT, b=PORT)])
    assert troubles(registry, tmp_path) == [
        "mine/b.py: the kind of port 'bottle:' is taken; rename this one"
    ]


def test_what_is_no_kind_of_port_is_told(tmp_path: Path) -> None:
    registry = load_plugins([folder(tmp_path, a=PORT.replace("[Bottles()]", "[5]"))])
    assert troubles(registry, tmp_path) == ["mine/a.py: 5 is no kind of port: subclass PortBackend"]
