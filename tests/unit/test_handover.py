"""A rig handed over to a running service: plugin files from folders, unchanged and edited."""

from __future__ import annotations

import os
import sys
import textwrap
from pathlib import Path

import pytest

from pointsman.errors import PluginError
from pointsman.live.handover import Loaded, note_sources, unpack
from pointsman.live.loading import Load
from pointsman.ports.resolve import find_backend
from pointsman.rig import Rig
from pointsman.rig_file import load_rig_and_plugins

RIG = """\
rig: harbour
input:
  port: "null:"
  chain: [{plugin: horn, tone: low}]
outputs:
  tug:
    port: "quay:1"
    chain:
      - {plugin: horn, tone: high, label: high horn, channels: [2]}
      - {plugin: cc_reset, controls: {74: 64}}
    opening: [{program: 3, channel: 2}]
plugins: {folders: [mine]}
"""

HORN = """
    from dataclasses import dataclass
    from enum import Enum
    from pointsman.plugin import Plugin, PluginOptions, hookimpl
    from pointsman.ports.null import NullPorts

    class Tone(Enum):
        HIGH = "high"
        LOW = "low"

    class Options(PluginOptions):
        tone: Tone = Tone.HIGH

    class Horn(Plugin[Options]):
        \"\"\"Sounds.\"\"\"
        name = "horn"
        Options = Options

    class Quay(NullPorts):
        scheme = "quay"
        def problem(self, address, *, is_input):
            return None
        def find(self, address, base, *, is_input):
            return address

    @hookimpl
    def pointsman_plugins():
        return [Horn]

    @hookimpl
    def pointsman_ports():
        return [Quay()]
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A rig with a plugin file and a kind of port of its own."""
    (tmp_path / "mine").mkdir()
    edit(tmp_path, HORN)
    path = tmp_path / "harbour.yaml"
    path.write_text(RIG)
    return path


def edit(folder: Path, body: str) -> None:
    (folder / "mine" / "horn.py").write_text(textwrap.dedent(body))


def loaded_elsewhere(path: Path) -> Loaded:
    """The rig, loaded in a process of its own."""
    load = Load(str(path))
    while not load.read():
        pass
    loaded = load.result()
    assert loaded.problems == ()
    return loaded


def plugins(rig: Rig) -> list[type]:
    return [entry.plugin for entry in (*rig.input_chain, *rig.outputs[0].chain)]


def test_while_its_file_is_unchanged_a_plugin_stays_what_it_is(path: Path) -> None:
    running, registry = load_rig_and_plugins(path)
    note_sources()
    rig, brought = unpack(loaded_elsewhere(path))
    assert plugins(rig) == plugins(running)
    assert [e.options for e in rig.outputs[0].chain] == [
        e.options for e in running.outputs[0].chain
    ]
    assert rig == running  # whatever else a rig has in it; origins do not count
    assert (brought.plugins, brought.ports) == ({}, {})
    assert find_backend("quay:1", registry.ports)[1] == "1"


def test_an_edited_file_brings_a_new_plugin_and_a_second_look_the_same(path: Path) -> None:
    running, _ = load_rig_and_plugins(path)
    note_sources()
    edit(path.parent, HORN + "\n    NEW = True\n")
    rig, brought = unpack(loaded_elsewhere(path))
    horn = plugins(rig)[0]
    assert horn is not plugins(running)[0]
    assert (horn.__name__, sys.modules[horn.__module__].NEW) == ("Horn", True)
    assert rig.outputs[0].chain[0].plugin is horn
    assert plugins(rig)[2] is plugins(running)[2]  # what is installed is not touched
    assert brought.plugins == {"horn": horn}
    assert list(brought.ports) == ["quay"]
    again, nothing = unpack(loaded_elsewhere(path))
    assert again == rig
    assert (nothing.plugins, nothing.ports) == ({}, {})


def test_an_edit_that_was_taken_back_is_an_edit_too(path: Path) -> None:
    running, _ = load_rig_and_plugins(path)
    note_sources()
    edit(path.parent, HORN + "\n    NEW = True\n")
    unpack(loaded_elsewhere(path))
    edit(path.parent, HORN)
    rig, _ = unpack(loaded_elsewhere(path))
    assert plugins(rig)[0] is not plugins(running)[0]
    assert not hasattr(sys.modules[plugins(rig)[0].__module__], "NEW")


def test_a_plugin_file_that_fails_only_here_changes_nothing(path: Path) -> None:
    running, _ = load_rig_and_plugins(path)
    note_sources()
    module = plugins(running)[0].__module__
    before = sys.modules[module]
    fails = f"\n    import os\n    if os.getpid() == {os.getpid()}:\n        raise OSError('fog')\n"
    edit(path.parent, HORN + fails)
    loaded = loaded_elsewhere(path)
    with pytest.raises(PluginError) as caught:
        unpack(loaded)
    assert str(caught.value) == (f"{path.parent}/mine/horn.py: does not import: OSError: fog")
    assert sys.modules[module] is before
    edit(path.parent, HORN)
    assert plugins(unpack(loaded_elsewhere(path))[0]) == plugins(running)


def test_a_broken_pickle_changes_nothing(path: Path) -> None:
    load_rig_and_plugins(path)
    note_sources()
    edit(path.parent, HORN + "\n    NEW = True\n")
    loaded = loaded_elsewhere(path)
    with pytest.raises(PluginError, match="the rig cannot be taken over"):
        unpack(Loaded(rig=loaded.rig[:-9], local=loaded.local))
    assert plugins(unpack(loaded)[0])[0].__module__ in sys.modules


def test_songs_go_along_and_origins_do_not(path: Path) -> None:
    (path.parent / "storm.yaml").write_text(RIG.replace("tone: low", "tone: high"))
    path.write_text(RIG + "songs: {rigs: {storm: storm.yaml}}\n")
    running, _ = load_rig_and_plugins(path)
    note_sources()
    loaded = loaded_elsewhere(path)
    rig, _ = unpack(loaded)
    assert rig == running
    ((name, storm),) = rig.songs.rigs
    assert name == "storm"
    for part in (rig, storm):
        assert part.outputs[0].origin is None
        assert part.outputs[0].chain[0].origin is None
    assert set(loaded.files) >= {
        str(path), str(path.parent / "storm.yaml"), str(path.parent / "mine"),
        str(path.parent / "mine" / "horn.py"),
    }  # fmt: skip
    assert len(loaded.rig) < 10_000
