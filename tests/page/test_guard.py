"""The bounds of connections by themselves, before a library that takes whatever comes."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress

import pytest

from pointsman.page import guard
from pointsman.page.guard import Guard
from stage import PATIENCE_S

Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class Library(asyncio.Protocol):
    """Takes everything, and answers nothing."""

    def __init__(self) -> None:
        self.got = 0
        self.transport: asyncio.BaseTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self.got += len(data)


def guarded(test: Callable[[Guard, list[Library], int], Awaitable[None]]) -> None:
    """Run a test with a guard that listens: what stands behind it, and its port."""

    async def run() -> None:
        made: list[Library] = []

        def make() -> Library:
            made.append(Library())
            return made[-1]

        door = Guard(make)
        server = await asyncio.get_running_loop().create_server(door, "127.0.0.1", 0)
        async with asyncio.timeout(PATIENCE_S), server:
            await test(door, made, server.sockets[0].getsockname()[1])

    asyncio.run(run())


async def connect(port: int) -> Streams:
    return await asyncio.open_connection("127.0.0.1", port)


async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Send until the other side has had enough."""
    with pytest.raises(ConnectionError):
        while True:
            writer.write(b"x" * 1000)
            await writer.drain()
    writer.close()


async def until(true: Callable[[], bool]) -> None:
    while not true():
        await asyncio.sleep(0.01)


def test_a_head_has_a_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "LINGER_S", 0.1)

    async def test(_door: Guard, made: list[Library], port: int) -> None:
        reader, writer = await connect(port)
        writer.write(b"x" * 1000)
        await until(lambda: bool(made) and made[0].got == 1000)
        await flood(reader, writer)
        assert made[0].got <= guard.MOST_HEAD

    guarded(test)


def test_a_request_has_a_size_and_what_came_before_does_not_count(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(guard, "LINGER_S", 0.1)

    async def test(door: Guard, made: list[Library], port: int) -> None:
        reader, writer = await connect(port)
        writer.write(b"x" * guard.MOST_HEAD)
        await until(lambda: bool(made) and made[0].got == guard.MOST_HEAD)
        connection = door.of(made[0])
        assert connection is not None
        connection.begin()
        await flood(reader, writer)
        assert made[0].got <= guard.MOST_HEAD + guard.MOST_MORE

    guarded(test)


@pytest.mark.parametrize("state", ["new", "ended", "slow"])
def test_a_connection_has_a_time(monkeypatch: pytest.MonkeyPatch, state: str) -> None:
    """Without a request, after an answer that nobody fetches, and while one is under way."""
    monkeypatch.setattr(guard, "IDLE_S", 60.0 if state == "slow" else 0.1)

    async def test(door: Guard, made: list[Library], port: int) -> None:
        reader, writer = await connect(port)
        await until(lambda: bool(made) and door.of(made[0]) is not None)
        connection = door.of(made[0])
        assert connection is not None
        if state != "new":
            connection.begin(0.1 if state == "slow" else 60.0)
        if state == "ended":
            connection.end()
        with suppress(ConnectionResetError):
            assert await reader.read() == b""
        assert door.of(made[0]) is None
        writer.close()

    guarded(test)


def test_a_stream_may_go_on_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "IDLE_S", 0.1)

    async def test(door: Guard, made: list[Library], port: int) -> None:
        _, writer = await connect(port)
        await until(lambda: bool(made) and door.of(made[0]) is not None)
        connection = door.of(made[0])
        assert connection is not None
        connection.begin(None)
        await asyncio.sleep(0.3)
        assert door.of(made[0]) is connection
        writer.close()

    guarded(test)


def test_there_are_so_many_and_the_idle_give_way_to_the_new() -> None:
    async def test(door: Guard, made: list[Library], port: int) -> None:
        lines = []
        for _ in range(guard.MOST_OF_ONE):
            lines.append(await connect(port))
            await until(lambda: door.of(made[-1]) is not None if made else False)
        for library in made[1:]:
            connection = door.of(library)
            assert connection is not None
            connection.begin(None)
        lines.append(await connect(port))  # the first, which idles, gives way
        await until(lambda: len(made) > guard.MOST_OF_ONE and door.of(made[-1]) is not None)
        assert door.of(made[0]) is None
        newest = door.of(made[-1])
        assert newest is not None
        newest.begin(None)
        reader, writer = await connect(port)  # nobody idles: there is no room
        lines.append((reader, writer))
        with suppress(ConnectionResetError):
            assert await reader.read() == b""
        assert made[-1].transport is None
        for _, line in lines:
            line.close()

    guarded(test)
