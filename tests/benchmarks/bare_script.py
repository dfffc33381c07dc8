"""What does a careful amateur's script do with a board's lines?  The baseline benchd's own cost is compared with.

One loop, no features: read the port, check the CRC-32, parse the JSON, insert each reading into SQLite with a commit
a second, publish each reading over MQTT.  On SIGTERM it prints its counts as one JSON object.  It is frozen: a
comparison with it means something only while it stays as it was first written.

    python bare_script.py PORT HOST:PORT TOPIC [DATABASE]
"""

from __future__ import annotations

import json
import signal
import sqlite3
import sys
import time
import zlib
from types import FrameType
from typing import Any

import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion

running = True


def stop(_number: int, _frame: FrameType | None) -> None:
    global running
    running = False


def parse(line: bytes) -> list[dict[str, Any]] | None:
    """The records of one line, or None if its checksum or its JSON is wrong."""
    body, _, trailer = line.rstrip(b"\r").rpartition(b" ")
    if f"{zlib.crc32(body):08x}".encode() != trailer:
        return None
    try:
        return list(json.loads(body))
    except ValueError:
        return None


def main() -> None:
    port, broker, topic = sys.argv[1:4]
    host, _, tcp_port = broker.rpartition(":")
    signal.signal(signal.SIGTERM, stop)

    database = sqlite3.connect(sys.argv[4] if len(sys.argv) > 4 else "readings.db")
    database.execute("CREATE TABLE IF NOT EXISTS readings (t REAL, name TEXT, value REAL)")
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(host, int(tcp_port))
    client.loop_start()

    lines = readings = bad = 0
    waiting = b""
    committed_s = time.monotonic()
    with serial.Serial(port, 115200, timeout=0.2) as board:
        while running:
            waiting += board.read(board.in_waiting or 1)
            *whole, waiting = waiting.split(b"\n")
            for line in whole:
                if line.startswith(b"#"):
                    continue
                records = parse(line)
                if records is None:
                    bad += 1
                    continue
                lines += 1
                prefix = records[0].get("bn", "")
                now = time.time()
                for record in records:
                    if "v" not in record:
                        continue
                    name = prefix + record["n"]
                    database.execute("INSERT INTO readings VALUES (?, ?, ?)", (now, name, record["v"]))
                    client.publish(f"{topic}/{name}", json.dumps({"t": now, "value": record["v"]}))
                    readings += 1
            if time.monotonic() - committed_s >= 1.0:
                database.commit()
                committed_s = time.monotonic()

    database.commit()
    database.close()
    client.loop_stop()
    client.disconnect()
    print(json.dumps({"lines": lines, "readings": readings, "bad": bad}))


if __name__ == "__main__":
    main()
