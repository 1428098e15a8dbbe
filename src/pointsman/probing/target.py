"""Which port is meant, and what is known of the synth behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pointsman import io_rtmidi
from pointsman.device import Device
from pointsman.errors import PortError, PortLookupError, UsageError
from pointsman.live.client import status_if_any
from pointsman.options import suggest
from pointsman.ports import PortBackend
from pointsman.ports.names import without_numbers
from pointsman.ports.resolve import SYSTEM, find_backend
from pointsman.registry import load_plugins
from pointsman.rig import OutputSpec, Rig
from pointsman.rig_file import load_rig_and_plugins
from pointsman.validation import Origin
from pointsman.yaml_tree import Node


@dataclass(frozen=True, slots=True)
class Target:
    """The port that is played to. `name` is the output's, or the port's where no rig names it."""

    name: str
    port: str
    backend: PortBackend
    full_name: str
    base: Path = Path()
    rig: Rig | None = None
    spec: OutputSpec | None = None
    device: Device | None = None
    device_path: Path | None = None
    kinds: Mapping[str, PortBackend] = field(default_factory=dict)
    played_by: str | None = None
    """The rig that a running service plays to this port."""
    played_outputs: tuple[str, ...] = ()
    """The outputs of that rig that go to this port, the one that was asked for first."""

    @property
    def address(self) -> str:
        """The port without its scheme."""
        return find_backend(self.port, self.kinds)[1]


def find_target(text: str, rig_path: str | None) -> Target:
    """The output of the rig (or of the running one) with this name, else the port.

    Raises RigError, PortLookupError, or UsageError for a port that leads nowhere.
    """
    service = status_if_any()
    if rig_path is None and text in service.get("outputs", {}):
        rig_path = service.get("path")
    rig, kinds = None, load_plugins().ports
    if rig_path is not None:
        rig, registry = load_rig_and_plugins(rig_path)
        kinds = registry.ports
    spec = next((output for output in rig.outputs if output.name == text), None) if rig else None
    base = rig.path.parent if rig else Path()
    port = spec.port if spec else text
    backend, address = find_backend(port, kinds)
    what = backend.problem(address, is_input=False)
    if what:
        raise UsageError(f"'{port}': {what}")
    if backend.scheme == "null":
        raise UsageError(f"'{text}' goes to null:, where nothing can sound; give it a port first")
    try:
        full_name = backend.find(address, base, is_input=False)
    except PortLookupError as error:
        raise PortLookupError(_more(str(error), text, rig, spec is not None)) from None
    played = [
        name
        for name, output in service.get("outputs", {}).items()
        if output.get("found") == full_name
    ]
    return Target(
        name=text,
        port=port,
        backend=backend,
        full_name=full_name,
        base=base,
        rig=rig,
        spec=spec,
        device=spec.device if spec else None,
        device_path=_device_path(spec.origin, base)
        if spec and spec.device and spec.origin
        else None,
        kinds=kinds,
        played_by=str(service.get("rig", "its rig")) if played else None,
        played_outputs=tuple(sorted(played, key=lambda name: name != text)),
    )


def _more(error: str, text: str, rig: Rig | None, is_output: bool) -> str:
    """A text that is neither a port nor an output may have been meant as either."""
    if is_output:
        return error
    if rig is None:
        return f"{error}; for an output of a rig say --rig RIG"
    return f"{error}; in the rig: {suggest(text, [output.name for output in rig.outputs])}"


def _device_path(origin: Origin, base: Path) -> Path | None:
    """The device file that the rig names for this output."""
    node: Node | None = origin.root
    for step in (*origin.place, "device"):
        node = node.child(step) if node else None
    return base / str(node.value) if node else None


@dataclass(frozen=True, slots=True)
class Ear:
    """The port that the synth's own output comes in by; `why_not` where there is none."""

    full_name: str | None = None
    backend: PortBackend = SYSTEM
    why_not: str = ""


def find_ear(target: Target, asked: str | None) -> Ear:
    """The port that was asked for, else the input of the same name as the output, if it is free.

    The rig's own input is not taken unless it is asked for: the sequencer would be heard there.
    Raises PortLookupError where the port that was asked for is not there.
    """
    if asked is not None:
        backend, address = find_backend(asked, target.kinds)
        what = backend.problem(address, is_input=True)
        if what:
            raise UsageError(f"--listen {asked}: {what}")
        return Ear(backend.find(address, Path(), is_input=True), backend)
    name = _same_name(target.full_name) if target.backend is SYSTEM else None
    if name is None:
        return Ear(why_not=f"no MIDI from the synth is known ({_HOW})")
    if target.rig is not None and _is_input_of(target.rig, name, target.kinds):
        return Ear(why_not=f"the input of that name is the rig's own ({_HOW})")
    return Ear(name)


_HOW = "--listen PORT names it"


def _same_name(output: str) -> str | None:
    """The input port that is the other direction of an output: of its name, and its numbers."""
    try:
        names = io_rtmidi.port_names(is_input=True)
    except PortError:
        return None
    if output in names:
        return output
    found = [name for name in names if without_numbers(name) == without_numbers(output)]
    return found[0] if len(found) == 1 else None


def _is_input_of(rig: Rig, name: str, kinds: Mapping[str, PortBackend]) -> bool:
    backend, address = find_backend(rig.input_port, kinds)
    try:
        return backend is SYSTEM and backend.find(address, rig.path.parent, is_input=True) == name
    except PortLookupError:
        return False
