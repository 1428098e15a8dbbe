"""Which port a probe plays to, and where it listens for the synth."""

from __future__ import annotations

from pathlib import Path

import pytest

from pointsman import io_rtmidi
from pointsman.errors import PortLookupError, RigError, UsageError
from pointsman.probing import target as target_module
from pointsman.probing.target import find_ear, find_target

INPUTS = ["Gull:Gull MIDI 1 20:0", "Tug:Tug MIDI 1 24:0", "Tug:Tug MIDI 1 28:0", "Buoy:Out 32:0"]
OUTPUTS = ["Gull:Gull MIDI 1 20:0", "Tug:Tug MIDI 1 24:0", "Tug:Tug MIDI 1 28:0", "Buoy:In 32:0"]
RIG = """\
input: {port: "Gull"}
outputs:
  gull: {port: "Gull MIDI 1"}
  buoy: {port: "Buoy", device: devices/buoy.yaml}
  nothing: {port: "null:"}
"""


@pytest.fixture(autouse=True)
def harbour(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(
        io_rtmidi, "port_names", lambda *, is_input: INPUTS if is_input else OUTPUTS
    )
    monkeypatch.setattr(target_module, "status_if_any", dict)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sub" / "devices").mkdir(parents=True)
    (tmp_path / "sub" / "devices" / "buoy.yaml").write_text("device: Buoy\n")
    (tmp_path / "sub" / "rig.yaml").write_text(RIG)
    return tmp_path


def test_an_output_of_the_rig_comes_with_its_device_file() -> None:
    found = find_target("buoy", "sub/rig.yaml")
    assert (found.full_name, found.port) == ("Buoy:In 32:0", "Buoy")
    assert found.device is not None
    assert str(found.device_path) == "sub/devices/buoy.yaml"


def test_a_port_will_do_with_a_rig_and_without() -> None:
    for rig in (None, "sub/rig.yaml"):
        assert find_target("Buoy:In", rig).full_name == "Buoy:In 32:0"


@pytest.mark.parametrize(
    ("text", "rig", "error", "why"),
    [
        ("bouy", None, PortLookupError, "there is: Gull.*for an output of a rig say --rig RIG"),
        ("bouy", "sub/rig.yaml", PortLookupError, "in the rig: did you mean 'buoy'?"),
        ("Tug", None, PortLookupError, "2 output ports match 'Tug'"),
        ("nothing", "sub/rig.yaml", UsageError, "'nothing' goes to null:"),
        ("file:x.wav", None, UsageError, "is no .mid or .tsv file"),
        ("buoy", "none.yaml", RigError, "cannot be read"),
    ],
)
def test_what_is_not_there_is_told(
    text: str, rig: str | None, error: type[Exception], why: str
) -> None:
    with pytest.raises(error, match=why):
        find_target(text, rig)


def test_the_other_direction_of_the_port_is_where_the_synth_is_heard() -> None:
    """Of two units of one make it is the one with the same numbers."""
    assert find_ear(find_target("Tug:Tug MIDI 1 28:0", None), None).full_name == INPUTS[2]
    assert find_ear(find_target("gull", None), None).full_name == INPUTS[0]


def test_the_input_of_the_rig_is_not_listened_to_unless_it_is_asked_for() -> None:
    gull = find_target("gull", "sub/rig.yaml")
    ear = find_ear(gull, None)
    assert ear.full_name is None
    assert ear.why_not == "the input of that name is the rig's own (--listen PORT names it)"
    assert find_ear(gull, "Gull").full_name == INPUTS[0]


def test_where_no_input_has_the_name_none_is_taken() -> None:
    buoy = find_target("buoy", "sub/rig.yaml")
    assert find_ear(buoy, None).full_name is None
    assert find_ear(buoy, "Buoy").full_name == "Buoy:Out 32:0"
    with pytest.raises(PortLookupError, match="no input port matches 'Boey'"):
        find_ear(buoy, "Boey")


def test_a_running_service_names_the_rig_and_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    status = {
        "rig": "harbour",
        "path": "sub/rig.yaml",
        "outputs": {"gull": {"found": OUTPUTS[0]}, "buoy": {"found": "Buoy:In 32:0"}},
    }
    monkeypatch.setattr(target_module, "status_if_any", lambda: status)
    found = find_target("buoy", None)
    assert (found.rig is not None, found.played_by) == (True, "harbour")
    assert found.played_outputs == ("buoy",)
    assert find_target("Tug:Tug MIDI 1 24:0", None).played_by is None
