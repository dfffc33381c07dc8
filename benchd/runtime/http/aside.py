"""Calls a blocking function in a thread of its own, which neither a stop of the watch nor the program's end waits for.

For requests to others, who may take many seconds to answer.  Threads of asyncio's own pool are waited for at the end.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

Answer = TypeVar("Answer")


async def aside(function: Callable[..., Answer], *values: Any) -> Answer:
    """The function's result.  Raises what it raises."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[Answer] = loop.create_future()

    def work() -> None:
        try:
            settle = partial(_settle, future.set_result, function(*values))
        except BaseException as error:  # raised where it was awaited, which is in another thread
            settle = partial(_settle, future.set_exception, error)
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(settle)

    def _settle(how: Callable[[Any], None], what: Any) -> None:
        if not future.done():
            how(what)

    threading.Thread(target=work, name="aside", daemon=True).start()
    return await future
