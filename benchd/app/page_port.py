"""Opens the page's port; one that is taken names the file and key to change."""

from __future__ import annotations

import errno
import socket
from pathlib import Path

from benchd.errors import SourceError
from benchd.runtime.http.serve import tcp_socket
from benchd.settings import PageAddress


def page_socket(address: PageAddress, bench: Path) -> socket.socket:
    """The listening socket of the page.  Raises SourceError naming `bench`, the key and what to write."""
    where = f"{bench}: page.listen: {address.host}:{address.port}"
    try:
        return tcp_socket(address.host, address.port)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            other = f'listen = "{address.host}:{address.port + 1}"'
            raise SourceError(f"{where} is used by another program; write another, as {other}, or --no-page") from error
        why = error.strerror or str(error)
        raise SourceError(f"{where} cannot be opened: {why}; write an address of this machine") from error
