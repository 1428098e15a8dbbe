"""From what a rig writes to a kind of port and an address."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pointsman.ports.backend import PortBackend
from pointsman.ports.files import FilePorts
from pointsman.ports.null import NullPorts
from pointsman.ports.serial import SerialPorts
from pointsman.ports.system import SystemPorts, VirtualPorts

SYSTEM = SystemPorts()
"""What a port is when its name begins with no known scheme."""

BUILT_IN: Mapping[str, PortBackend] = {
    backend.scheme: backend for backend in (VirtualPorts(), FilePorts(), NullPorts(), SerialPorts())
}


def find_backend(port: str, added: Mapping[str, PortBackend]) -> tuple[PortBackend, str]:
    """The kind of port that `port` asks for, and the rest of the text.

    A system port's own name may have a colon in it, so only known schemes count.
    """
    scheme, colon, address = port.partition(":")
    if colon:
        backend = BUILT_IN.get(scheme) or added.get(scheme)
        if backend is not None:
            return backend, address.strip()
    return SYSTEM, port.strip()


def is_file(port: str, base: Path, path: Path) -> bool:
    """Whether a port of a rig in the folder `base` is this very file."""
    backend, address = find_backend(port, {})
    return isinstance(backend, FilePorts) and backend.locate(address, base) == str(path.resolve())
