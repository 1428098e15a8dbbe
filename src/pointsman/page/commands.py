"""The command `page`: a page for the phone on the music stand."""

from __future__ import annotations

import argparse
from pathlib import Path

from pointsman.errors import PointsmanError
from pointsman.page.listen import DEFAULT, Listen, parse_listen
from pointsman.page.token import Token, take_token, usual_path
from pointsman.subcommands import CONTROL_SOCKET, DONE, Add


def add_page_commands(add: Add) -> None:
    """Add it to the command line; `add` takes a name, what it calls, a text and an example."""
    page = add(
        "page",
        _page,
        "serve a page that shows a running service, with a button for panic",
        "pointsman page --listen 0.0.0.0:8177",
        more="Other machines must show a token, once. It plays nothing, and opens no port of the "
        "rig.",
        exits={0: "ended by Ctrl-C or SIGTERM"},
        heeds={
            **CONTROL_SOCKET,
            "~/.config/pointsman/page-token": "the token, without --token-file",
        },
        see=("docs/page.md",),
    )
    page.add_argument("--socket", metavar="PATH", type=Path, help="where the service listens")
    page.add_argument(
        "--listen", metavar="ADDRESS:PORT", default=DEFAULT,
        help=f"where the page is to be had (default {DEFAULT}: on this computer alone)",
    )  # fmt: skip
    page.add_argument(
        "--token-file", metavar="PATH", type=Path,
        help="the file with the token, which every page is asked for; made if it is not there",
    )  # fmt: skip


def _page(options: argparse.Namespace) -> int:
    listen = parse_listen(options.listen)
    need_aiohttp()
    from pointsman.page.serve import serve

    serve(options.socket, listen, _token(options.token_file, listen))
    return DONE


def _token(asked: Path | None, listen: Listen) -> Token | None:
    """The token, if one is needed: away from loopback always."""
    if asked is None and listen.loopback:
        return None
    path = asked or usual_path()
    token, made = take_token(path)
    print(f"The token {'has been made; it ' if made else ''}is in {path}", flush=True)
    return token


def need_aiohttp() -> None:
    """PointsmanError with how to get it where it is missing."""
    try:
        import aiohttp  # noqa: F401
    except ImportError:
        raise PointsmanError(
            "aiohttp is not installed; on Debian: sudo apt install python3-aiohttp, with a venv "
            "made with --system-site-packages; elsewhere: pip install 'pointsman[page]'"
        ) from None
