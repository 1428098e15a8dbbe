"""Ports: where messages come from and go to. A kind of port is a backend; plugins may add more."""

from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort, PortBackend

__all__ = ["Deliver", "Ended", "InputPort", "OutputPort", "PortBackend"]
