"""`pointsman page` as a command: what it says and refuses, how it ends; and its time limits."""

from __future__ import annotations

import asyncio
import builtins
import os
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from pointsman.cli import main
from pointsman.page import guard, serve
from stage import PATIENCE_S, Page, paged

pytest.importorskip("aiohttp", reason="needs aiohttp: pip install '.[page]'")

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process: exit code, stdout, stderr."""

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as end:
            code = int(end.code or 0)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return call


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_says_where_it_is_and_ends_quietly(tmp_path: Path, number: signal.Signals) -> None:
    page = Page(tmp_path / "none.sock", "--listen", "127.0.0.1:0")
    assert page.lines == [f"The page is at http://127.0.0.1:{page.port}/ until Ctrl-C"]
    with socket.create_connection(("127.0.0.1", page.port)) as open_page:
        open_page.sendall(f"GET /events HTTP/1.1\r\nHost: {page.host}\r\n\r\n".encode())
        assert open_page.recv(12) == b"HTTP/1.1 200"
        assert page.end(number) == 0
    assert len(page.lines) == 1


def test_away_from_loopback_it_makes_a_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the example of its help, on a port of its own; asked only from this machine."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    path = tmp_path / "pointsman" / "page-token"
    for said in ("has been made; it is in", "is in"):
        page = Page(tmp_path / "none.sock", "--listen", "0.0.0.0:0")
        assert page.lines[0] == f"The token {said} {path}"
        assert page.ask("/door").status == 401
        assert page.end() == 0
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_token_that_is_asked_for_holds_on_loopback_too(tmp_path: Path) -> None:
    class Nobody:
        socket = tmp_path / "none.sock"

    given = ("--listen", "127.0.0.1:0", "--token-file", tmp_path / "token")
    with paged(Nobody(), *given) as page:  # type: ignore[arg-type]
        assert page.ask("/door").status == 401


def test_what_cannot_be(run: Run, tmp_path: Path) -> None:
    socket_of = ("--socket", tmp_path / "none.sock")
    code, out, err = run("page", *socket_of, "--listen", "box:80")
    assert (code, out, err.count("\n")) == (2, "", 1)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, out, err = run("page", *socket_of, "--listen", f"127.0.0.1:{port}")
    assert (code, out) == (1, "")
    assert err == f"--listen: 127.0.0.1:{port} is in use by another program; name another port\n"
    token = ("--token-file", tmp_path / "token")
    code, out, err = run("page", *socket_of, "--listen", "192.0.2.1:8177", *token)
    assert code == 1
    assert err.startswith("--listen: this machine has no address 192.0.2.1; ")
    (tmp_path / "token").chmod(0o644)
    code, _, err = run("page", *socket_of, *token)
    assert code == 1 and "chmod 600" in err


def test_without_aiohttp_it_says_how_to_get_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    load = builtins.__import__

    def none(name: str, *rest: Any) -> Any:
        if name == "aiohttp":
            raise ImportError(name)
        return load(name, *rest)

    monkeypatch.setattr(builtins, "__import__", none)
    code, out, err = run("page")
    assert (code, out) == (1, "")
    assert err == (
        "aiohttp is not installed; on Debian: sudo apt install python3-aiohttp, with a venv made "
        "with --system-site-packages; elsewhere: pip install 'pointsman[page]'\n"
    )


def test_other_commands_do_not_load_what_only_the_page_needs() -> None:
    code = "import sys; from pointsman.cli import main; main(['ports']); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "aiohttp" not in done.stdout.splitlines()[-1].split()


def test_it_gives_way_to_what_plays(tmp_path: Path) -> None:
    page = Page(tmp_path / "none.sock", "--listen", "127.0.0.1:0")
    assert os.getpriority(os.PRIO_PROCESS, page.pid) >= min(
        os.getpriority(os.PRIO_PROCESS, 0) + serve.NICE, 19
    )
    page.end()


# ---- limits of time, with shorter ones than in earnest -------------------------------------------


def asked(head: str, body: bytes = b"") -> bytes:
    """What a server in this process answers until it closes; nothing more is sent."""
    return asyncio.run(_asked(head, body))


async def _asked(head: str, body: bytes) -> bytes:
    from pointsman.page.server import Server

    server = Server(Path("/nowhere"), None, frozenset())
    port = await server.start("127.0.0.1", 0)
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(head.replace("\n", "\r\n").encode() + body)
        answer = b""
        with suppress(ConnectionResetError):
            async with asyncio.timeout(PATIENCE_S):
                while piece := await reader.read(4096):
                    answer += piece
        writer.close()
        return answer
    finally:
        await server.stop()


@pytest.mark.parametrize("head", ["", "GET", "GET / HTTP/1.1\nHost: 127"])
def test_who_does_not_come_to_the_point_is_sent_away(
    monkeypatch: pytest.MonkeyPatch, head: str
) -> None:
    monkeypatch.setattr(guard, "IDLE_S", 0.2)
    assert asked(head) == b""


def test_who_says_nothing_after_an_answer_is_sent_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "IDLE_S", 0.2)
    answer = asked("GET /page.css HTTP/1.1\nHost: 127.0.0.1\n\n")
    assert answer.startswith(b"HTTP/1.1 200")


def test_a_body_that_does_not_come_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    from pointsman.page import server

    monkeypatch.setattr(server, "BODY_S", 0.2)
    head = (
        "POST /press HTTP/1.1\nHost: 127.0.0.1\nOrigin: http://127.0.0.1\n"
        "Content-Type: application/json\nContent-Length: 100\n\n"
    )
    assert asked(head, b'{"do":').startswith(b"HTTP/1.1 408")
