"""CircuitPython's `usb_cdc`: the line port is this program's standard output; a host reads from `host_from_ms` on."""

import sys

from scene import scene


class Serial:
    write_timeout: float | None = None

    @property
    def connected(self) -> bool:
        return scene.now_ms() >= scene.script.get("host_from_ms", 0)

    def write(self, data: bytes) -> int:
        assert self.connected
        assert self.write_timeout is not None, "a write that never gives up"
        return sys.stdout.buffer.write(data)


console = Serial()
data = None if scene.script.get("without_boot_py") else Serial()
