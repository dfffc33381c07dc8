"""What does a bare script cost that saves every reading and publishes as many messages as benchd does?  The ceiling.

benchd publishes a channel's newest reading where the broker's queue is behind, so under a flood it sends fewer messages
than `bare_script.py`, which sends each.  This is that script with one difference: of EVERY readings it publishes one.
On SIGTERM it prints its counts as one JSON object.  It is frozen: its hash stands in test_throughput.py.

    python exact_script.py PORT HOST:PORT TOPIC DATABASE EVERY
"""

from __future__ import annotations

import json
import signal
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt
import serial
from benchmarks import bare_script
from paho.mqtt.enums import CallbackAPIVersion


def main() -> None:
    port, broker, topic, path, every_text = sys.argv[1:6]
    host, _, tcp_port = broker.rpartition(":")
    every = float(every_text)
    signal.signal(signal.SIGTERM, bare_script.stop)
    database = sqlite3.connect(path)
    database.execute("CREATE TABLE IF NOT EXISTS readings (t REAL, name TEXT, value REAL)")
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(host, int(tcp_port))
    client.loop_start()

    lines = readings = sent = 0
    waiting = b""
    committed_s = time.monotonic()
    with serial.Serial(port, 115200, timeout=0.2) as board:
        while bare_script.running:
            waiting += board.read(board.in_waiting or 1)
            *whole, waiting = waiting.split(b"\n")
            for line in whole:
                records = bare_script.parse(line)
                if records is None:
                    continue
                lines += 1
                prefix = records[0].get("bn", "")
                now = time.time()
                for record in records:
                    if "v" not in record:
                        continue
                    name = prefix + record["n"]
                    database.execute("INSERT INTO readings VALUES (?, ?, ?)", (now, name, record["v"]))
                    readings += 1
                    if readings >= (sent + 1) * every:
                        client.publish(f"{topic}/{name}", json.dumps({"t": now, "value": record["v"]}))
                        sent += 1
            if time.monotonic() - committed_s >= 1.0:
                database.commit()
                committed_s = time.monotonic()

    database.commit()
    database.close()
    client.loop_stop()
    client.disconnect()
    print(json.dumps({"lines": lines, "readings": readings, "sent": sent}))


if __name__ == "__main__":
    main()
