"""The token: the secret that opens the page from other machines, in a file of its owner's alone.

It is made once, of letters and digits that are not taken for one another, so that it can be typed
on a phone. What is typed is compared without its case, spaces and hyphens.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
from collections.abc import Mapping
from pathlib import Path

from pointsman.errors import PointsmanError

LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without i, l, o, 0 and 1: those are mistaken for one another."""

_GROUPS, _GROUP = 5, 4
"""Twenty of 31 letters: 99 bits."""

SHORTEST = 12
"""Letters and digits that a token of one's own must have at least."""

_LONGEST = 1024
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


class TokenError(PointsmanError):
    """The token's file cannot be had; the text is one line with the place and the remedy."""


class Token:
    """A secret, and the cookie that stands for it."""

    def __init__(self, text: str) -> None:
        self._secret = _bare(text)
        self.cookie = hmac.new(self._secret.encode(), b"pointsman page", hashlib.sha256).hexdigest()
        """What a browser keeps: it changes with the token, and the token cannot be told from it."""

    def is_token(self, text: str) -> bool:
        """Whether somebody has typed the token; takes as long for a near miss as for a far one."""
        return hmac.compare_digest(_digest(_bare(text)), _digest(self._secret))

    def is_cookie(self, text: str) -> bool:
        """Whether a browser has shown the cookie."""
        return hmac.compare_digest(_digest(text), _digest(self.cookie))


def usual_path(environ: Mapping[str, str] = os.environ) -> Path:
    """Where the token is if nobody says: among the user's settings (XDG Base Directory)."""
    told = environ.get("XDG_CONFIG_HOME")
    folder = Path(told) if told and os.path.isabs(told) else Path.home() / ".config"
    return folder / "pointsman" / "page-token"


def take_token(path: Path) -> tuple[Token, bool]:
    """The token in a file, and whether it was made now. Raises TokenError."""
    try:
        made = _make(path)
        return Token(_read(path)), made
    except FileNotFoundError:
        raise TokenError(
            f"{path}: its folder is not there; make it first, or name another --token-file"
        ) from None
    except OSError as error:
        raise TokenError(f"{path}: {error.strerror}; name another file with --token-file") from None


def _make(path: Path) -> bool:
    """Write a new token unless there is one."""
    if path == usual_path():
        path.parent.mkdir(0o700, parents=True, exist_ok=True)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
    try:
        fd = os.open(path, flags, 0o600)
    except FileExistsError:
        return False
    with open(fd, "w", encoding="ascii") as file:
        file.write(_new() + "\n")
    return True


def _new() -> str:
    letters = "".join(secrets.choice(LETTERS) for _ in range(_GROUPS * _GROUP))
    return "-".join(letters[at : at + _GROUP] for at in range(0, len(letters), _GROUP))


def _read(path: Path) -> str:
    # a link is not followed, and a pipe not waited for
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(fd, "rb") as file:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode):
            raise TokenError(f"{path}: no plain file; remove it, or name another --token-file")
        if found.st_uid not in (os.geteuid(), 0):
            raise TokenError(f"{path}: belongs to another user; name another --token-file")
        if found.st_mode & _OTHERS:
            raise TokenError(
                f"{path}: open to other users; chmod 600 it, or remove it for a new one"
            )
        text = file.read(_LONGEST).decode("utf-8", "replace").strip()
    if len(_bare(text)) < SHORTEST:
        raise TokenError(
            f"{path}: the token is shorter than {SHORTEST} letters and digits; "
            "remove the file for a new one"
        )
    return text


def _bare(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def _digest(text: str) -> bytes:
    """Of whatever a stranger sends, halves of characters as well; always of one length."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()
