"""The values exchanged with paho's client, and a client that ends instead of reconnecting by itself."""

from __future__ import annotations

import contextlib
import re
import socket
import ssl
import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import wraps
from typing import Any, Concatenate, ParamSpec, Protocol, TypeVar

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties

P = ParamSpec("P")
Owner = TypeVar("Owner", bound="_Guard")

# reason codes of MQTT 5.0, section 2.4; from REFUSED on they are failures
NO_SUBSCRIBERS = 0x10
REFUSED = 0x80
WRONG_VERSION = 0x84
SESSION_TAKEN_OVER = 0x8E
PACKET_TOO_LARGE = 0x95
OUT_OF_TIME = (9, 10)  # OpenSSL: X509_V_ERR_CERT_NOT_YET_VALID, X509_V_ERR_CERT_HAS_EXPIRED
LARGEST_PACKET_BYTES = 268_435_455  # MQTT 5.0, section 1.5.5: what the remaining length can say


@dataclass(frozen=True, slots=True)
class Message:
    """One message from the broker; `retained`: it was stored there before we subscribed."""

    topic: str
    payload: bytes
    retained: bool


@dataclass(frozen=True, slots=True)
class Will:
    """The last will that the broker publishes when our connection is lost: retained, QoS 1."""

    topic: str
    payload: str


@dataclass(frozen=True, slots=True)
class ServerLimits:
    """What CONNACK allows (MQTT 5.0, 3.2.2.3): whole packets in bytes, QoS, retained messages, unacknowledged ones."""

    packet_bytes: int = LARGEST_PACKET_BYTES
    qos: int = 1
    retain: bool = True
    unacknowledged: int = 65_535

    def fits(self, topic: str, payload: bytes) -> bool:
        """Whether the whole packet stays within bounds: topic, payload, 2 to 11 bytes of head, 6 of an expiry."""
        return len(topic.encode()) + len(payload) + 17 <= self.packet_bytes


@dataclass(frozen=True, slots=True)
class End:
    """Why a session is over.

    taken_over: another client came with our id.  wrong_version: the broker does not know the protocol's version.
    closed_early: it closed after our CONNECT without an answer.  unanswered: it took our CONNECT and said nothing.
    """

    why: str
    taken_over: bool = False
    wrong_version: bool = False
    closed_early: bool = False
    unanswered: bool = False


def plain(text: object) -> str:
    """Text from outside made fit for a log line: printable, one line, short."""
    return re.sub(r"[^ -~]+", " ", str(text))[:200]


class Client(mqtt.Client):
    """paho's client, changed to report why and when its thread ends, and to end instead of reconnecting."""

    def __init__(self, client_id: str, thread_ended: Callable[[str], None], version: int = mqtt.MQTTv5) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion(version),
            reconnect_on_failure=False,
        )  # fmt: skip
        self._thread_ended = thread_ended
        self.abandoned = False

    def reconnect(self) -> MQTTErrorCode:
        """Connect; raises ConnectionAbortedError once the session was abandoned."""
        if self.abandoned:
            raise ConnectionAbortedError("given up")
        code = super().reconnect()
        if self.abandoned:
            cut(self.socket())
        return code

    def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> MQTTErrorCode:
        """Run paho's loop, then report that the thread has ended, and why."""
        why = ""
        try:
            return super().loop_forever(timeout, retry_first_connection=False)
        except Exception as error:  # OSError when connecting, ValueError from a strange host or packet
            why = f"{type(error).__name__}: {plain(error)}{_clock_too(error)}"
            return MQTTErrorCode.MQTT_ERR_UNKNOWN
        finally:
            self._reset_sockets()  # else all of paho's sockets would wait for the garbage collector
            told, self._thread_ended = self._thread_ended, _nobody
            told(why)


def _clock_too(error: Exception) -> str:
    """This machine's time, for a certificate refused because of its dates: one of the two is wrong."""
    if isinstance(error, ssl.SSLCertVerificationError) and error.verify_code in OUT_OF_TIME:
        return f"; this machine's clock says {datetime.now(UTC):%Y-%m-%d %H:%M} UTC"
    return ""


def _nobody(why: str) -> None:
    """Called when a thread ends whose session is already closed; does nothing."""


def cut(sock: Any) -> None:
    """Close a connection at once and discard unsent data: stale messages must not be sent later."""
    if sock is None:
        return
    with contextlib.suppress(OSError, ValueError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    with contextlib.suppress(OSError, ValueError):
        sock.shutdown(socket.SHUT_RDWR)


def properties_of(packet: int) -> Properties:
    """Empty MQTT 5 properties for a packet type."""
    return Properties(packet)  # type: ignore[no-untyped-call]  # paho leaves this constructor untyped


class _Guard(Protocol):
    callback_errors: int
    last_callback_error: str


def guarded(
    callback: Callable[Concatenate[Owner, P], None],
) -> Callable[Concatenate[Owner, P], None]:
    """A paho callback that cannot raise: its exceptions are counted and reported."""

    @wraps(callback)
    def safe(owner: Owner, /, *args: P.args, **kwargs: P.kwargs) -> None:
        try:
            callback(owner, *args, **kwargs)
        except Exception as error:  # an exception here would end paho's thread
            owner.callback_errors += 1
            owner.last_callback_error = f"{type(error).__name__}: {plain(error)}"

    return safe
