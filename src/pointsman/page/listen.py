"""Where the page listens: `ADDRESS:PORT`, and what a browser is told to open."""

from __future__ import annotations

import ipaddress
import re
from typing import NamedTuple

from pointsman.errors import UsageError

DEFAULT = "127.0.0.1:8177"

_WRITTEN = re.compile(r"(?:\[(?P<v6>[^\]]+)\]|(?P<v4>[^:]+)):(?P<port>\d{1,5})")
_RIGHT = f"write for example {DEFAULT}, 192.168.1.20:8177, [::1]:8177, or 0.0.0.0:8177 for all"


class Listen(NamedTuple):
    """An address of this machine, as a number, and a port (0: any that is free)."""

    address: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only programs of this machine can reach it."""
        return ipaddress.ip_address(self.address).is_loopback

    @property
    def everywhere(self) -> bool:
        """Whether it is every address of this machine."""
        return ipaddress.ip_address(self.address).is_unspecified

    @property
    def url(self) -> str:
        """What to open."""
        return f"http://{bracketed(self.address)}:{self.port}/"


def parse_listen(text: str) -> Listen:
    """Read `ADDRESS:PORT`; `localhost` is 127.0.0.1. UsageError where it is not that."""
    found = _WRITTEN.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"--listen: '{text}' is no ADDRESS:PORT; {_RIGHT}")
    address = found["v6"] or found["v4"]
    if address == "localhost":
        address = "127.0.0.1"
    try:
        number = ipaddress.ip_address(address)
    except ValueError:
        raise UsageError(f"--listen: '{address}' is no address in numbers; {_RIGHT}") from None
    if (number.version == 6) != (found["v6"] is not None):
        raise UsageError(f"--listen: '{text}' is no ADDRESS:PORT; {_RIGHT}")
    port = int(found["port"])
    if port > 65535:
        raise UsageError(f"--listen: port {port} is too high; write 1 to 65535")
    return Listen(str(number), port)


def bracketed(address: str) -> str:
    """An address as it stands in a URL (RFC 3986, 3.2.2)."""
    return f"[{address}]" if ":" in address else address
