"""The hooks by which a distribution or a loose file makes plugins and ports known.

They are called when a rig is loaded, never while messages flow: pluggy finds plugins, it does not
carry messages.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from pointsman.plugin import Plugin
    from pointsman.ports import PortBackend

PROJECT = "pointsman"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def pointsman_plugins() -> Sequence[type[Plugin]]:  # type: ignore[empty-body,type-arg]
    """Return the plugin classes that this module offers to rigs."""


@hookspec
def pointsman_ports() -> Sequence[PortBackend]:  # type: ignore[empty-body]
    """Return the kinds of port that this module offers, each under a scheme of its own."""
