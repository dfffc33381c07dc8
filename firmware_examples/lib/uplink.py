"""How do a board's words reach a broker, and what happens when it goes away?  MQTT 3.1.1, publishing only.

Nothing here waits: connecting, sending and listening go on in small steps between two looks at the foot switch.  What
the broker has not answered within ANSWER_MS, a ping included, is a lost connection; a lost one is tried again after 1,
2, 4 ... up to 30 s.  What was said meanwhile is gone: the lines' `seq` tells how many, and press counts are running
counts, so that no press is lost with them.
"""

import errno
import select
import socket

KEEPALIVE_S = 10
PING_EVERY_MS = 4_000
ANSWER_MS = 5_000
STABLE_MS = 10_000  # a connection that held this long starts the pauses anew
PAUSE_LEAST_MS = 1_000
PAUSE_MOST_MS = 30_000
QUEUE_MOST_BYTES = 4_096

NOT_YET = (errno.EAGAIN, errno.EINPROGRESS)
AWAY, CALLING, GREETING, HERE = 0, 1, 2, 3


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


def _packet(kind: int, body: bytes) -> bytes:
    """A control packet: its first byte, the length in groups of seven bits (MQTT 3.1.1, 2.2.3), its body."""
    head, length = bytearray((kind,)), len(body)
    while length > 127:
        head.append(0x80 | length & 0x7F)
        length >>= 7
    head.append(length)
    return bytes(head) + body


def connect_packet(client_id: str, will_topic: str, will: str, username: str, password: str) -> bytes:
    """CONNECT: a clean session and a retained last will at QoS 1 (MQTT 3.1.1, 3.1)."""
    flags = 0x02 | 0x04 | 0x08 | 0x20
    body = _text(client_id) + _text(will_topic) + _text(will)
    if username:
        flags |= 0xC0
        body += _text(username) + _text(password)
    return _packet(0x10, _text("MQTT") + bytes((4, flags)) + KEEPALIVE_S.to_bytes(2, "big") + body)


class Uplink:
    """One board's connection: `<root>/lines` carries its arrays, `<root>/up` says here or gone and is retained.

    `cause`, why the board started and by what full scale it reckons, stands retained under `<root>/boot`.  `jitter_ms`
    keeps boards apart that lost their broker together.
    """

    def __init__(
        self, host: str, port: int, root: str, client_id: str, username: str, password: str, cause: str, jitter_ms: int
    ) -> None:
        self.connects = 0
        self.dropped = 0
        self.trouble = ""
        self._address = host, port
        self._root = root
        self._connect = connect_packet(client_id, root + "/up", "gone", username, password)
        self._cause = cause
        self._jitter_ms = jitter_ms
        self._socket = None
        self._poller = None
        self._state = AWAY
        self._out = b""
        self._in = b""
        self._since_ms = self._heard_ms = self._retry_ms = 0
        self._asked_ms = -1  # since when an answer is due, -1: none is
        self._pause_ms = PAUSE_LEAST_MS
        self._packet_id = 0

    def step(self, now_ms: int) -> bool:
        """Do what can be done without waiting; True while the broker has us."""
        try:
            if self._state != AWAY:
                self._go_on(now_ms)
            elif now_ms >= self._retry_ms:
                self._call(now_ms)
        except OSError as error:
            self._lose(now_ms, error)
        return self._state == HERE

    def say(self, array: str) -> bool:
        """Queue one array of readings, QoS 0; False, and counted, when there is no connection or it is too slow."""
        packet = _packet(0x30, _text(self._root + "/lines") + array.encode())
        if self._state != HERE or len(self._out) + len(packet) > QUEUE_MOST_BYTES:
            self.dropped += 1
            return False
        self._out += packet
        return True

    def leave(self, now_ms: int) -> None:
        """Drop the connection, for when the radio has gone: try again as soon as it is back."""
        if self._state != AWAY:
            self._lose(now_ms, OSError(errno.ENOTCONN))
            self._retry_ms = now_ms

    def _call(self, now_ms: int) -> None:
        self._state, self._since_ms, self._asked_ms = CALLING, now_ms, now_ms
        self._out = self._in = b""
        address = socket.getaddrinfo(self._address[0], self._address[1], 0, socket.SOCK_STREAM)[0][-1]
        self._socket = socket.socket()
        self._socket.setblocking(False)
        self._poller = select.poll()
        self._poller.register(self._socket, select.POLLIN | select.POLLOUT)
        try:
            self._socket.connect(address)
        except OSError as error:
            if error.errno not in NOT_YET:
                raise

    def _go_on(self, now_ms: int) -> None:
        link, poller = self._socket, self._poller
        if link is None or poller is None:
            raise OSError(errno.ENOTCONN)
        ready = 0
        for item in poller.poll(0):
            ready |= item[1]
        if self._state == CALLING and ready & select.POLLOUT and not ready & (select.POLLERR | select.POLLHUP):
            self._state, self._asked_ms = GREETING, now_ms
            self._out = self._connect
        if ready & (select.POLLIN | select.POLLERR | select.POLLHUP):
            self._listen(link, now_ms)
        if self._state == HERE:
            self._ping(now_ms)
        if self._out and ready & select.POLLOUT:
            self._send(link)
        if self._asked_ms >= 0 and now_ms - self._asked_ms > ANSWER_MS:
            raise OSError(errno.ETIMEDOUT)

    def _send(self, link: socket.socket) -> None:
        try:
            took = link.send(self._out)
        except OSError as error:
            if error.errno not in NOT_YET:
                raise
            return
        self._out = self._out[took:]

    def _listen(self, link: socket.socket, now_ms: int) -> None:
        """Take the broker's answers; all that it can have to say is shorter than 128 bytes."""
        try:
            data = link.recv(64)
        except OSError as error:
            if error.errno not in NOT_YET:
                raise
            return
        if not data:
            raise OSError(errno.ECONNRESET)
        self._in += data
        while len(self._in) > 1 and len(self._in) >= 2 + self._in[1]:
            kind, body = self._in[0], self._in[2 : 2 + self._in[1]]
            self._in = self._in[2 + self._in[1] :]
            self._hear(now_ms, kind, body)

    def _hear(self, now_ms: int, kind: int, body: bytes) -> None:
        self._heard_ms, self._asked_ms = now_ms, -1
        if kind == 0x20 and self._state == GREETING and len(body) == 2:
            if body[1]:
                self._pause_ms = PAUSE_MOST_MS  # 4 and 5: wrong password, not allowed; no hurry helps
                raise OSError(errno.EACCES)
            self._state, self._since_ms, self.trouble = HERE, now_ms, ""
            self.connects += 1
            self._keep("boot", self._cause)
            self._keep("up", "here")
            self._asked_ms = now_ms  # their PUBACKs
        elif kind not in (0x40, 0xD0):
            raise OSError(errno.EIO)

    def _keep(self, level: str, word: str) -> None:
        """Publish one retained word, QoS 1."""
        self._packet_id = self._packet_id % 65535 + 1
        topic = _text(self._root + "/" + level)
        self._out += _packet(0x33, topic + self._packet_id.to_bytes(2, "big") + word.encode())

    def _ping(self, now_ms: int) -> None:
        if self._asked_ms < 0 and now_ms - self._heard_ms >= PING_EVERY_MS:
            self._out += b"\xc0\x00"
            self._asked_ms = now_ms

    def _lose(self, now_ms: int, error: OSError) -> None:
        if self._socket is not None:
            self._socket.close()
        if self._state == HERE and now_ms - self._since_ms >= STABLE_MS:
            self._pause_ms = PAUSE_LEAST_MS
        self.trouble = str(error)
        self._socket = self._poller = None
        self._state, self._asked_ms = AWAY, -1
        self._retry_ms = now_ms + self._pause_ms + self._jitter_ms
        self._pause_ms = min(2 * self._pause_ms, PAUSE_MOST_MS)
