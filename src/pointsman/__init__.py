"""Pointsman: one MIDI input through chains of plugins to several outputs, live and offline."""

from pointsman.engine import Engine
from pointsman.errors import PointsmanError, RigError
from pointsman.rig import Rig
from pointsman.rig_file import load_rig

__version__ = "0.1.0"

__all__ = ["Engine", "PointsmanError", "Rig", "RigError", "load_rig"]
