"""The broker's address, our credentials there, and the TLS rules of the connection.

TLS is on as soon as any of its keys is set, never below version 1.2, always with a check of the host's name, and a
failure is an error: nothing ever falls back to an unencrypted connection.  Secrets are read from their files when a
connection is about to be made, never when the settings are loaded.
"""

from __future__ import annotations

import os
import re
import ssl
import stat
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from benchd.errors import OutletError

KEEPALIVE_S = 10.0  # common practice for a link whose loss must be noticed in half a minute
HOST = re.compile(r"[A-Za-z0-9._:%-]{1,253}")


class _ClosingSocket(ssl.SSLSocket):
    """A socket that closes itself when its handshake fails: paho would leave it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:  # also a timeout: the socket would stay open
            self.close()
            raise


class BrokerAddress(BaseModel):
    """A broker as the user configured it; making one opens no file and looks up no name."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    host: str = "127.0.0.1"
    port: int = Field(default=1883, ge=1, le=65535)
    client_id: str = Field(default="", pattern=r"^[A-Za-z0-9._-]{0,64}$")
    username: str = ""
    password_file: Path | None = None
    tls: bool = False
    tls_ca: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    keepalive_s: float = Field(default=KEEPALIVE_S, ge=1, le=300)
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    """The version of MQTT: 5, and 3.1.1 where the broker knows no other, unless one is asked for."""
    external: bool = False
    """True: a full MQTT 5 broker that accepts PUBLISH properties; they would break the embedded one's 3.1.1 side."""

    @field_validator("host")
    @classmethod
    def _host_is_a_name(cls, host: str) -> str:
        labels = host.rstrip(".").split(".")
        if not HOST.fullmatch(host) or any(not 1 <= len(label) <= 63 for label in labels):
            raise ValueError("write a host name or address, for example 192.168.1.20 or bench-hub.local")
        return host

    @model_validator(mode="after")
    def _parts_fit(self) -> BrokerAddress:
        if (self.tls_cert is None) != (self.tls_key is None):
            raise ValueError("tls_cert and tls_key go together")
        if self.password_file is not None and not self.username:
            raise ValueError("password_file needs a username")
        return self

    @property
    def is_encrypted(self) -> bool:
        """Whether any TLS key is set."""
        return self.tls or any((self.tls_ca, self.tls_cert, self.tls_key))

    def tls_context(self) -> ssl.SSLContext | None:
        """The TLS context of this connection, None for an unencrypted one.

        Raises OutletError when a file is unusable.
        """
        if not self.is_encrypted:
            return None
        try:
            for path in (self.tls_ca, self.tls_cert, self.tls_key):
                if path is not None and not path.is_file():  # OpenSSL would wait for the other end of a FIFO
                    raise OutletError(f"TLS files of {self.host}: {path}: no such file; write the path of a PEM file")
            context = ssl.create_default_context(cafile=self.tls_ca)
            context.sslsocket_class = _ClosingSocket
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if self.tls_cert is not None:
                context.load_cert_chain(self.tls_cert, self.tls_key)
        except (OSError, ValueError) as error:
            raise OutletError(f"TLS files of {self.host}: {error}") from error
        return context

    def password(self) -> str | None:
        """The content of the password file.  Raises OutletError when it is missing or others may read it."""
        if self.password_file is None:
            return None
        try:
            mode = self.password_file.stat().st_mode
            if not stat.S_ISREG(mode):
                raise OutletError(f"{self.password_file}: not a regular file; write the password into one, mode 0600")
            if mode & (stat.S_IRWXG | stat.S_IRWXO) and not self._is_credential(self.password_file):
                raise OutletError(f"{self.password_file}: others may read it; write: chmod 600 {self.password_file}")
            return self.password_file.read_text("utf-8").strip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise OutletError(f"password file: {error}") from error

    @staticmethod
    def _is_credential(path: Path) -> bool:
        """Whether the service supervisor handed the file over; it guards that directory itself."""
        given = os.environ.get("CREDENTIALS_DIRECTORY")
        return bool(given) and path.resolve().is_relative_to(Path(str(given)).resolve())
