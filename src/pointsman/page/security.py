"""Who may do what at the page: pure decisions, without a socket or a clock.

How this works. A page in a player's browser and a page of a stranger in the same browser can both
send requests to this machine. Three things tell them apart, and each is asked for by itself:

- `Host` must name the address that the connection came to, or this machine by its own name. A
  stranger's name that was made to point here (DNS rebinding) is neither.
- `Origin` and `Sec-Fetch-Site`, which browsers set and scripts cannot, must say that the request
  comes from our own page. What changes anything must be JSON besides, which no HTML form can send
  (Fetch, "CORS-safelisted request-header").
- Away from loopback the request must show the cookie, which is only to be had for the token.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

MOST_BODY = 4096
"""Bytes of a request's body: a song's name, an output's and an entry's."""

COOKIE = "pointsman_page"
COOKIE_S = 90 * 24 * 3600
"""How long a browser keeps it: a season."""

HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), midi=()",
    "Cache-Control": "no-store",
}
"""What every answer carries: nothing is loaded from elsewhere, framed, guessed at or kept."""


class Refused(Exception):
    """A request is turned away: the status of HTTP, and one line."""

    def __init__(self, status: int, why: str) -> None:
        self.status = status
        super().__init__(why)


@dataclass(frozen=True)
class Asked:
    """What of a request the decisions are made from. Names of headers are in lower case."""

    method: str
    path: str
    local: str
    """The address of this machine that the connection came to."""
    headers: Mapping[str, str]


@dataclass(frozen=True)
class Doors:
    """What this machine is called."""

    names: frozenset[str] = field(default_factory=frozenset)

    def check(self, asked: Asked) -> None:
        """Raise Refused for a request that no page of ours has sent."""
        host = asked.headers.get("host", "")
        if not self._is_ours(host, asked.local):
            raise Refused(403, "this page is not to be had under that name; use the address")
        if asked.method == "GET":
            self._check_get(asked)
        elif asked.method == "POST":
            _check_post(asked, host)
        else:
            raise Refused(405, "only GET and POST are served")

    def _is_ours(self, host: str, local: str) -> bool:
        name = host_name(host)
        if name is None:
            return False
        if name in self.names:
            return True
        here = _address(local)
        loopback = here is not None and here.is_loopback
        return (name == "localhost" and loopback) or (here is not None and _address(name) == here)

    def _check_get(self, asked: Asked) -> None:
        site = asked.headers.get("sec-fetch-site")
        if site in (None, "none", "same-origin"):
            return
        # a link to the page may stand anywhere; what is behind it is for the page alone
        if asked.path == "/" and asked.headers.get("sec-fetch-mode") == "navigate":
            return
        raise Refused(403, "asked for by another site")


def _check_post(asked: Asked, host: str) -> None:
    headers = asked.headers
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site not in (None, "same-origin") or (origin is None and site is None):
        raise Refused(403, "asked for by another site")
    if origin is not None and origin.lower() not in (f"http://{host}".lower(), secure_origin(host)):
        raise Refused(403, "asked for by another site")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise Refused(415, "send it as application/json")
    length = headers.get("content-length", "0")
    if not _is_number(length) or int(length) > MOST_BODY:
        raise Refused(413, f"a request has at most {MOST_BODY} bytes")


def secure_origin(host: str) -> str:
    """The origin of a page that came from here through something that speaks HTTPS for us."""
    return f"https://{host}".lower()


def host_name(host: str) -> str | None:
    """The name or address in a `Host` header, without the port; None where it is no such thing."""
    host = host.strip().lower()
    if host.startswith("["):
        name, bracket, port = host[1:].partition("]")
        if not bracket or _address(name) is None:
            return None
        colon, port = port[:1], port[1:]
        return name if colon in ("", ":") and (_is_number(port) or not (colon or port)) else None
    name, colon, port = host.partition(":")
    if not name or (colon and not _is_number(port)):
        return None
    return name.removesuffix(".")


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) < 20


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        found = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    mapped = getattr(found, "ipv4_mapped", None)
    return mapped or found


def group(address: str) -> str:
    """The addresses that count as one: of IPv6 a whole /64, which one machine may have."""
    found = _address(address)
    if found is None or found.version == 4:
        return str(found or address)
    return str(ipaddress.ip_network((found, 64), strict=False))


# ---- how often -----------------------------------------------------------------------------------


class Bucket:
    """So many at once, and so many a second after that."""

    def __init__(self, most: float, per_second: float) -> None:
        self._most = most
        self._per_second = per_second
        self._left = most
        self._seen_s: float | None = None

    def left(self, now_s: float) -> bool:
        """Whether there is one left now; times never go down."""
        if self._seen_s is not None:
            more = (now_s - self._seen_s) * self._per_second
            self._left = min(self._most, self._left + more)
        self._seen_s = now_s
        return self._left >= 1

    def take(self, now_s: float) -> bool:
        """Take one, if there is one left."""
        if not self.left(now_s):
            return False
        self._left -= 1
        return True


class Buckets:
    """A bucket for each group of addresses; a bounded number of groups is remembered."""

    def __init__(self, most: float, per_second: float, remembered: int = 256) -> None:
        self._make = partial(Bucket, most, per_second)
        self._remembered = remembered
        self._buckets: OrderedDict[str, Bucket] = OrderedDict()

    def of(self, address: str) -> Bucket:
        """The bucket of this address."""
        name = group(address)
        bucket = self._buckets.setdefault(name, self._make())
        self._buckets.move_to_end(name)
        while len(self._buckets) > self._remembered:
            self._buckets.popitem(last=False)
        return bucket

    def take(self, address: str, now_s: float) -> bool:
        """Take one of this address, if it has one left."""
        return self.of(address).take(now_s)


class Guesses:
    """How often a wrong token may be shown: five times at once, then one in ten seconds an address.

    In all it is thirty times, then one in two seconds, however many addresses take part. Of the
    tokens that we make, 31 to the power of 20, that is none. Right ones cost nothing.
    """

    WRONG_TAKES_S = 0.5
    """A wrong guess is answered so late."""

    def __init__(self) -> None:
        self._each = Buckets(5, 0.1)
        self._all = Bucket(30, 0.5)

    def may(self, address: str, now_s: float) -> bool:
        """Whether what this address shows is looked at."""
        return self._each.of(address).left(now_s) and self._all.left(now_s)

    def wrong(self, address: str, now_s: float) -> None:
        """It was wrong."""
        self._each.of(address).take(now_s)
        self._all.take(now_s)
