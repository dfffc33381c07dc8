"""How do tests ask a daemon whose page is for paired phones only?  TLS on loopback, under a LAN name."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon import Daemon, wait_for
from mosquitto import free_port

NAME = "bench.lan"
JSON = {"Content-Type": "application/json"}


class PairedDaemon(Daemon):
    """A daemon whose page asks for a token, on loopback under a LAN name."""

    page_port: int = 0

    def __post_init__(self) -> None:
        self.page_port = free_port()
        self.extra += f'\n[page]\nlisten = "127.0.0.1:{self.page_port}"\npairing = true\nnames = ["{NAME}"]\n'
        self.serves_page = True
        super().__post_init__()

    @property
    def authority(self) -> Path:
        return self.folder / "https" / "authority.crt"

    def code(self) -> dict[str, Any]:
        """What `benchd pair` asks for."""

        def asked() -> Any:
            found = self._ask("POST", "/api/v0/pairing", {})
            return found if found["ok"] else None

        return dict(wait_for(asked))

    def ask(
        self, method: str, path: str, headers: Mapping[str, str] | None = None, body: Any = None, host: str = NAME
    ) -> tuple[int, dict[str, str], bytes]:
        """A request over TLS, the certificate judged by OpenSSL under the LAN name."""
        context = ssl.create_default_context(cafile=str(self.authority))
        with socket.create_connection(("127.0.0.1", self.page_port), timeout=30) as plain:
            connection = http.client.HTTPConnection(NAME)
            connection.sock = context.wrap_socket(plain, server_hostname=NAME)
            with contextlib.closing(connection):
                sent = dict(headers or {}) | {"Host": f"{host}:{self.page_port}"}
                connection.request(method, path, None if body is None else json.dumps(body), sent)
                answer = connection.getresponse()
                return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()

    def token(self, name: str = "script") -> str:
        body = {"code": self.code()["code"], "name": name, "script": True}
        status, _, answer = self.ask("POST", "/api/v0/pair", JSON, body)
        assert status == 200, answer
        return str(json.loads(answer)["token"])
