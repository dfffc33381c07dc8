"""How do tests stand between a client and its broker?  A relay that can be shut, slowed on the way in, or frozen."""

from __future__ import annotations

import asyncio
import contextlib
import socket

from stream_server import serving


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
        self._over = contextlib.AsyncExitStack()

    async def __aenter__(self) -> Relay:
        listening = socket.socket()
        if self._bytes_per_s is not None:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        listening.bind(("127.0.0.1", 0))
        self.port, self._served = await self._over.enter_async_context(serving(self._serve, listening, 2048))
        return self

    async def __aexit__(self, *problem: object) -> None:
        await self._over.aclose()

    def cut(self) -> None:
        """End every connection, and take no new one until `is_open` is set again."""
        self.is_open = False
        self._served.cut()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self.is_open:
            return
        try:
            up_reader, up_writer = await asyncio.open_connection("127.0.0.1", self._to_port)
        except OSError:
            return
        try:
            async with asyncio.TaskGroup() as group:
                ways = [
                    group.create_task(self._copy(reader, up_writer, self._bytes_per_s)),
                    group.create_task(self._copy(up_reader, writer, None)),
                ]
                await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
                for way in ways:
                    way.cancel()
        finally:
            up_writer.close()
            with contextlib.suppress(OSError):
                await up_writer.wait_closed()

    async def _copy(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, bytes_per_s: int | None) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(4096 if bytes_per_s is None else bytes_per_s // 20):
                if bytes_per_s is not None:
                    await asyncio.sleep(len(data) / bytes_per_s)
                if not self.is_frozen:
                    writer.write(data)
                    await writer.drain()
