"""How do tests stand between a client and its broker?  A relay that can be shut, slowed on the way in, or frozen."""

from __future__ import annotations

import asyncio
import contextlib
import socket


class Relay:
    """127.0.0.1:`port` leads to `to_port`; shut (`is_open` False) it closes every newcomer.

    `bytes_per_s` limits the way to the broker; small receive buffers let the sender feel it.  Frozen (`is_frozen`), it
    keeps every connection and passes nothing on, as a half-open one does.
    """

    def __init__(self, to_port: int, bytes_per_s: int | None = None) -> None:
        self.is_open = True
        self.is_frozen = False
        self.port = 0
        self._to_port = to_port
        self._bytes_per_s = bytes_per_s
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Relay:
        listening = socket.socket()
        if self._bytes_per_s is not None:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        listening.bind(("127.0.0.1", 0))
        self.port = int(listening.getsockname()[1])
        self._server = await asyncio.start_server(self._accept, sock=listening, limit=2048)
        return self

    async def __aexit__(self, *problem: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    def cut(self) -> None:
        """End every connection, and take no new one until `is_open` is set again."""
        self.is_open = False
        for task in self._tasks:
            task.cancel()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._tasks.append(asyncio.create_task(self._serve(reader, writer)))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers = [writer]
        try:
            if self.is_open:
                up_reader, up_writer = await asyncio.open_connection("127.0.0.1", self._to_port)
                writers.append(up_writer)
                async with asyncio.TaskGroup() as group:
                    ways = [
                        group.create_task(self._copy(reader, up_writer, self._bytes_per_s)),
                        group.create_task(self._copy(up_reader, writer, None)),
                    ]
                    await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
                    for way in ways:
                        way.cancel()
        except OSError:
            pass
        finally:
            for each in writers:
                each.close()
                with contextlib.suppress(OSError):
                    await each.wait_closed()

    async def _copy(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, bytes_per_s: int | None) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(4096 if bytes_per_s is None else bytes_per_s // 20):
                if bytes_per_s is not None:
                    await asyncio.sleep(len(data) / bytes_per_s)
                if not self.is_frozen:
                    writer.write(data)
                    await writer.drain()
