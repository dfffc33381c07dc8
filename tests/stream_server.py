"""A server of a test's own on loopback; it ends with every connection and every handler it had."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Awaitable, Callable

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class StreamServer:
    """Connections and the tasks that serve them.

    asyncio's own server forgets what it accepted: a handler that is cancelled before its first step never comes to its
    `finally`, and the connection outlives the loop.
    """

    def __init__(self, handler: Handler) -> None:
        self._handler = handler
        self._tasks: list[asyncio.Task[None]] = []
        self._writers: list[asyncio.StreamWriter] = []
        self._is_over = False

    def accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        if self._is_over:
            writer.close()
        else:
            self._tasks.append(asyncio.create_task(self._serve(reader, writer)))

    def cut(self) -> None:
        """End every connection there is."""
        for task in self._tasks:
            task.cancel()
        for writer in self._writers:
            writer.close()

    async def end(self) -> None:
        """End every connection, also one that is being accepted, and wait until it has ended."""
        self._is_over = True
        self.cut()
        for writer in self._writers:
            writer.transport.abort()  # what its other side never reads would never be sent
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for writer in self._writers:
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._handler(reader, writer)
        finally:
            writer.close()


@contextlib.asynccontextmanager
async def serving(
    handler: Handler, listening: socket.socket | None = None, limit: int = 2**16
) -> AsyncIterator[tuple[int, StreamServer]]:
    """(port, server) on 127.0.0.1, or on a socket that is bound already."""
    served = StreamServer(handler)
    if listening is None:
        listening = socket.create_server(("127.0.0.1", 0))
    server = await asyncio.start_server(served.accept, sock=listening, limit=limit)
    try:
        yield int(listening.getsockname()[1]), served
    finally:
        server.close()
        await served.end()
        await server.wait_closed()
