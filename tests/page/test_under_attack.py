"""The page under attack: each case is turned away, and the rig beside it plays on."""

from __future__ import annotations

import json
import re
import select
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from pointsman.page import guard, hub, security
from pointsman.page.security import COOKIE
from stage import PATIENCE_S, Answer, Page, Stage, paged, until

PANIC = {"do": "panic"}


@pytest.fixture(autouse=True)
def playing_on(stage: Stage) -> Iterator[None]:
    """Whatever a test here does: notes go through before and after it, nothing was silenced."""
    silenced = stage.tug.now
    yield
    stage.plays_on()
    assert not any(data.startswith("B4 78") for _, data in stage.tug.messages[silenced:])


@pytest.fixture(scope="module")
def locked(stage: Stage) -> Iterator[Page]:
    """A page that asks for a token."""
    with paged(stage, "--listen", "127.0.0.1:0", "--token-file", stage.folder / "token") as found:
        yield found


def token(stage: Stage) -> str:
    return (stage.folder / "token").read_text().strip()


def enter(page: Page, text: str, **headers: str | None) -> Answer:
    return page.ask("/token", "POST", json.dumps({"token": text}).encode(), **headers)


def connect(page: Page) -> socket.socket:
    line = socket.create_connection((page.address, page.port), PATIENCE_S)
    line.settimeout(PATIENCE_S)
    return line


def ended(line: socket.socket) -> bool:
    """Whether the other side has closed, or reset, by now or within our patience."""
    try:
        while line.recv(1 << 16):
            pass
    except ConnectionError:
        pass
    return True


# ---- who asks ------------------------------------------------------------------------------------

STRANGE_HOSTS = [
    "harbour.example", "harbour.example:{port}", "127.0.0.1.harbour.example:{port}", "",
    "10.0.0.9:{port}", "0.0.0.0:{port}", "[::1]:{port}", "127.0.0.1:{port}@harbour.example",
    "localhost.harbour.example",
]  # fmt: skip


@pytest.mark.parametrize("host", STRANGE_HOSTS)
@pytest.mark.parametrize("path", ["/", "/events", "/door"])
def test_a_strange_host_is_refused(page: Page, host: str, path: str) -> None:
    """DNS rebinding: the browser believes that a stranger's name is here."""
    assert page.ask(path, Host=host.format(port=page.port)).status in (400, 403)


def test_our_own_hosts_are_served(page: Page) -> None:
    for host in (page.host, f"localhost:{page.port}", "LocalHost", "localhost.:80"):
        assert page.ask("/", Host=host).status == 200


FOREIGN = {
    "another origin": {"Origin": "http://harbour.example"},
    "another port": {"Origin": "http://127.0.0.1:1"},
    "no origin at all": {"Origin": None, "Sec_Fetch_Site": None},
    "a hidden origin": {"Origin": "null"},
    "another site": {"Sec_Fetch_Site": "cross-site"},
    "the same site": {"Sec_Fetch_Site": "same-site"},
    "typed": {"Origin": None, "Sec_Fetch_Site": "none"},
    "a form": {"Content_Type": "application/x-www-form-urlencoded"},
    "a form as text": {"Content_Type": "text/plain"},
    "no type": {"Content_Type": None},
}


@pytest.mark.parametrize("headers", FOREIGN.values(), ids=FOREIGN)
def test_what_our_own_page_has_not_sent_presses_nothing(
    page: Page, headers: dict[str, Any]
) -> None:
    answer = page.press(PANIC, **headers)
    assert answer.status in (403, 415) and not answer.said["ok"]


@pytest.mark.parametrize("path", ["/events", "/door", "/page.js"])
def test_another_site_gets_nothing(page: Page, path: str) -> None:
    assert page.ask(path, Sec_Fetch_Site="cross-site").status == 403


def test_a_link_to_the_page_opens_it(page: Page) -> None:
    answer = page.ask("/", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate")
    assert answer.status == 200 and b"<title>Pointsman</title>" in answer.body


def test_two_hosts_are_refused(page: Page) -> None:
    with connect(page) as line:
        line.sendall(f"GET / HTTP/1.1\r\nHost: {page.host}\r\nHost: a.example\r\n\r\n".encode())
        assert b" 400 " in line.recv(100)


# ---- the token -----------------------------------------------------------------------------------


def test_without_the_token_nothing_is_shown_or_pressed(locked: Page) -> None:
    assert locked.ask("/").status == 200  # the form to enter it
    for answer in (locked.ask("/events"), locked.ask("/door"), locked.press(PANIC)):
        assert answer.status == 401
        assert "harbour" not in answer.body.decode()


def test_the_token_is_entered_once_and_kept_in_a_cookie(locked: Page, stage: Stage) -> None:
    answer = enter(locked, f"  {token(stage).upper().replace('-', ' ')} ")
    assert answer.status == 200
    (cookie,) = answer.headers.get_all("Set-Cookie", [])
    value, *flags = cookie.split("; ")
    assert set(flags) == {"HttpOnly", "SameSite=Strict", "Path=/", f"Max-Age={security.COOKIE_S}"}
    assert token(stage).replace("-", "") not in value
    assert locked.ask("/door", Cookie=value).status == 200


def test_the_cookie_is_for_https_alone_where_the_page_is(locked: Page, stage: Stage) -> None:
    answer = enter(locked, token(stage), Origin=f"https://{locked.host}")
    assert "; Secure" in answer.headers["Set-Cookie"]


def test_guesses_are_slowed_down_and_end(stage: Stage) -> None:
    """And who has the cookie stays in, whoever guesses."""
    with paged(stage, "--listen", "127.0.0.1:0", "--token-file", stage.folder / "token") as page:
        cookie = enter(page, token(stage)).headers["Set-Cookie"].partition(";")[0]
        began = time.monotonic()
        guesses = [enter(page, f"guess-number-{n}") for n in range(3)]
        assert time.monotonic() - began >= 3 * security.Guesses.WRONG_TAKES_S
        guesses += [page.ask("/door", Cookie=f"{COOKIE}={n:064x}") for n in range(2)]
        assert [guess.status for guess in guesses] == [401] * 5
        assert "Max-Age=0" in guesses[-1].headers["Set-Cookie"]
        assert enter(page, "guess-number-6").status == 429
        assert enter(page, token(stage)).status == 429  # so it is with the right one, too
        assert page.ask("/door", Cookie=f"{COOKIE}=0").status == 429
        assert page.ask("/door", Cookie=cookie).status == 200


def test_what_is_no_text_is_no_token(locked: Page) -> None:
    assert locked.ask("/door", Cookie=f"{COOKIE}=\xff\xfe").status in (400, 401)
    assert enter(locked, "\ud800 half a character").status == 401


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"token": 7}', b"[" * 4000, b"\xff\xfe"])
def test_what_is_no_token_is_one_line(locked: Page, body: bytes) -> None:
    answer = locked.ask("/token", "POST", body)
    assert answer.status == 400 and "\n" not in answer.said["said"]


# ---- what is asked for ---------------------------------------------------------------------------

PATHS = [
    "/../../etc/passwd", "/page.js/../../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd",
    "/..%2f..%2fetc/passwd", "//etc/passwd", "/assets", "/assets/page.js", "/page.py",
    "/server.py", "/page.js%00", "/.", "/index.html", "/press", "/token", "/door/", "/PAGE.JS",
]  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
def test_there_is_nothing_else_to_fetch(page: Page, path: str) -> None:
    answer = page.ask(path)
    assert answer.status in (400, 404, 405)
    assert b"root:" not in answer.body and b"import" not in answer.body


@pytest.mark.parametrize(
    "method", ["HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "CONNECT"]
)
def test_other_methods_are_refused(page: Page, method: str) -> None:
    assert page.ask("/", method).status in (400, 403, 404, 405)


PRESSES = [
    {"do": "tap"}, {"do": "status"}, {"do": "pulse"}, {"do": "unit"}, {}, {"do": ["panic"]},
    {"do": None}, {"do": "panic", "more": 1}, {"do": "song"}, {"do": "song", "song": {"a": 1}},
    {"do": "bypass", "entry": 1}, {"do": "bypass", "output": 3, "entry": 1, "on": "yes"},
]  # fmt: skip


@pytest.mark.parametrize("what", PRESSES, ids=json.dumps)
def test_a_button_can_ask_for_nothing_else(page: Page, what: dict[str, Any]) -> None:
    answer = page.press(what)
    assert answer.status == 400 and not answer.said["ok"]


def test_a_press_that_the_rig_does_not_know_says_so(page: Page) -> None:
    answer = page.press({"do": "song", "song": "strom"})
    assert answer.status == 200
    assert answer.said == {
        "ok": False, "said": "there is no song 'strom'; did you mean 'storm'?", "lines": [],
    }  # fmt: skip


def test_every_answer_keeps_the_browser_on_its_guard(page: Page) -> None:
    """The names as in MDN's reference of HTTP headers."""
    for answer in (
        page.ask("/"),
        page.ask("/page.js"),
        page.ask("/none"),
        page.press({"do": "no"}),
    ):
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["Cache-Control"] == "no-store"
        assert "aiohttp" not in str(answer.headers)
        assert answer.headers["Access-Control-Allow-Origin"] is None


def test_the_files_load_nothing_from_elsewhere() -> None:
    """No address of another machine stands in what the browser gets, but the name of SVG itself."""
    assets = Path(security.__file__).with_name("assets")
    for path in assets.iterdir():
        found = set(re.findall(r"(?:https?:)?//[\w.-]+\.\w+[^\s\"']*", path.read_text("utf-8")))
        assert found <= {"http://www.w3.org/2000/svg"}
        assert not re.search(r"<(script|style)>|\son\w+=|javascript:|@import|innerHTML|eval\(",
                             path.read_text("utf-8"))  # fmt: skip


# ---- how much, how often, how slowly -------------------------------------------------------------


def test_a_giant_body_is_not_waited_for(page: Page) -> None:
    answer = page.ask("/press", "POST", None, Content_Length=str(10**12))
    assert answer.status == 413
    answer = page.ask("/press", "POST", b"x" * (security.MOST_BODY + 1))
    assert answer.status == 413


def test_a_giant_body_without_a_length_ends(page: Page) -> None:
    with connect(page) as line:
        head = f"POST /press HTTP/1.1\r\nHost: {page.host}\r\nOrigin: http://{page.host}\r\n"
        kind = "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        line.sendall((head + kind).encode())
        piece = b"1000\r\n" + b"x" * 0x1000 + b"\r\n"
        with pytest.raises(ConnectionError):
            for _ in range(100_000):
                line.sendall(piece)


@pytest.mark.parametrize(
    "flood",
    [b"X-Gull: %d\r\n" % 7, b"X: " + b"y" * 8000, b"\0" * 1000],
    ids=["many", "long", "noise"],
)
def test_a_head_that_does_not_end_is_ended(page: Page, flood: bytes) -> None:
    with connect(page) as line:
        sent = 0
        with pytest.raises(ConnectionError):
            line.sendall(f"GET / HTTP/1.1\r\nHost: {page.host}\r\n".encode())
            while sent < 50_000_000:
                line.sendall(flood)
                sent += len(flood)


def test_slow_clients_make_room_for_others(page: Page, stage: Stage) -> None:
    """Twice as many as may be, each with half a request; then one comes that means it."""
    slow = []
    for _ in range(2 * guard.MOST_OF_ONE):
        line = connect(page)
        line.sendall(b"GET / HTTP/1.1\r\nHost: ")
        slow.append(line)
    stage.plays_on()
    assert page.ask("/door").status == 200
    gone = sum(bool(select.select([line], [], [], 0)[0]) for line in slow)
    assert gone >= guard.MOST_OF_ONE
    for line in slow:
        line.close()


def test_many_streams_are_bounded_and_close_well(page: Page, stage: Stage) -> None:
    request = f"GET /events HTTP/1.1\r\nHost: {page.host}\r\n\r\n".encode()
    lines = [connect(page) for _ in range(20)]
    for line in lines:
        line.sendall(request)
    heads = [line.recv(12) for line in lines]
    assert heads.count(b"HTTP/1.1 200") == hub.MOST_OF_ONE
    assert heads.count(b"HTTP/1.1 429") == 20 - hub.MOST_OF_ONE
    stage.plays_on()
    assert page.ask("/door").status == 429
    for line in lines:
        line.close()
    until(lambda: page.ask("/door").status == 200)


def test_a_page_that_reads_nothing_holds_up_nobody(page: Page, stage: Stage) -> None:
    request = f"GET /events HTTP/1.1\r\nHost: {page.host}\r\n\r\n".encode()
    with connect(page) as deaf, connect(page) as other:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        deaf.sendall(request)
        other.sendall(request)
        heard = other.makefile("rb")
        stage.pier.send("90 40 64")
        until(lambda: b'"E4"' in heard.readline())
        stage.pier.send("80 40 40")
        until(lambda: b'"sounding":[]' in heard.readline())


NOTHING_DONE = {"do": "bypass", "output": "gull", "entry": 9}


def test_presses_in_a_flood_are_refused_and_the_rig_plays(page: Page, stage: Stage) -> None:
    with ThreadPoolExecutor(16) as strangers:  # one alone may be too slow to be refused
        presses = [strangers.submit(page.press, NOTHING_DONE) for _ in range(160)]
    answers = [press.result().status for press in presses]
    assert 200 in answers and answers.count(429) >= 10
    stage.plays_on()


def test_requests_in_a_flood_are_refused(locked: Page) -> None:
    answers = [locked.ask("/").status for _ in range(120)]
    assert answers.count(429) >= 10


def test_noise_is_answered_or_ended(page: Page) -> None:
    for noise in (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"GET\r\n\r\n", b"\r\n" * 9000,
                  b"GET / HTTP/9.9\r\n\r\n", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"):  # fmt: skip
        with connect(page) as line:
            line.sendall(noise)
            line.shutdown(socket.SHUT_WR)
            assert ended(line)
    assert page.ask("/").status == 200
