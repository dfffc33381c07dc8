"""How do tests get a real NATS cluster?  Debian's nats-server, three nodes on loopback; exactly those are ended."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from mosquitto import free_port

PROGRAM = shutil.which("nats-server") or ("/usr/sbin/nats-server" if Path("/usr/sbin/nats-server").exists() else None)
needs_nats = pytest.mark.skipif(
    PROGRAM is None, reason="nats-server is not installed (Debian: apt install nats-server)"
)

CONFIG = """
server_name: node-{n}
listen: 127.0.0.1:{client}
http: 127.0.0.1:{monitor}
jetstream {{ store_dir: "{folder}/node-{n}", max_memory_store: 64MB, max_file_store: 1GB }}
mqtt {{ listen: 127.0.0.1:{mqtt}, stream_replicas: {nodes}, ack_wait: "10s" }}
{cluster}
"""
CLUSTER = """
cluster {{ name: shop, listen: 127.0.0.1:{own}, routes: [{routes}] }}
"""


class Node:
    """One nats-server process."""

    def __init__(self, config: Path, client: int, mqtt: int, monitor: int) -> None:
        self.config, self.client, self.mqtt, self.monitor = config, client, mqtt, monitor
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert PROGRAM is not None
        log = self.config.with_suffix(".log").open("ab")
        self.process = subprocess.Popen(
            [PROGRAM, "-c", str(self.config)], stdin=subprocess.DEVNULL, stdout=log, stderr=log
        )
        log.close()

    def is_ready(self) -> bool:
        """Whether JetStream has a leader, as the server's own health check says (/healthz)."""
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.monitor), 0.5) as sock:
            sock.sendall(b"GET /healthz HTTP/1.0\r\n\r\n")
            return b"200 OK" in sock.recv(4096)
        return False

    def kill(self) -> None:
        """kill -9, as a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None


class Cluster:
    """`nodes` servers; with one there is no cluster."""

    def __init__(self, folder: Path, nodes: int = 3) -> None:
        own = [free_port() for _ in range(nodes)]
        routes = ", ".join(f"nats://127.0.0.1:{port}" for port in own)
        self.nodes = []
        for n in range(nodes):
            node = Node(folder / f"node-{n}.conf", free_port(), free_port(), free_port())
            cluster = CLUSTER.format(own=own[n], routes=routes) if nodes > 1 else ""
            ports = {"client": node.client, "mqtt": node.mqtt, "monitor": node.monitor}
            node.config.write_text(CONFIG.format(n=n, folder=folder, nodes=nodes, cluster=cluster, **ports))
            self.nodes.append(node)

    @property
    def servers(self) -> list[str]:
        return [f"nats://127.0.0.1:{node.client}" for node in self.nodes]

    def start(self) -> Cluster:
        for node in self.nodes:
            node.start()
        self.wait_ready()
        return self

    def wait_ready(self, within_s: float = 60.0) -> None:
        deadline_s = time.monotonic() + within_s
        while not all(node.is_ready() for node in self.nodes if node.process is not None):
            assert time.monotonic() < deadline_s, [n.config.with_suffix(".log").read_text()[-2000:] for n in self.nodes]
            time.sleep(0.1)

    def stop(self) -> None:
        for node in self.nodes:
            node.kill()


@contextlib.contextmanager
def running(folder: Path, nodes: int = 3) -> Iterator[Cluster]:
    """A cluster for the length of a block."""
    cluster = Cluster(folder, nodes)
    try:
        yield cluster.start()
    finally:
        cluster.stop()
