"""What the drivers cost: codecs, a child's read of a kernel file, and messages through a real broker.

Run as a script; prints a table.  Nothing here is asserted.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from helpers.driverrigs import IioRig, OneWireRig, publish, w1_slave
from helpers.hub import Broker
from rushlight_drivers import Channel, lines, mqtt, onewire
from rushlight_drivers.formats.checksums import crc16_modbus

LINES = 20_000


def timed(what: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    what()
    return time.perf_counter() - start_s


def row(name: str, count: int, seconds: float) -> None:
    print(f"{name:52} {count / seconds:12,.0f} /s {seconds / count * 1e6:12,.1f} µs each")


def codecs() -> None:
    body = b"t=24.31,ph=7.02"
    forms = {
        "json": (b'{"t": 24.31, "ph": 7.02}\r\n', {"format": "json"}),
        "pairs": (body + b"\r\n", {"format": "pairs"}),
        "pairs with CRC-16": (
            b"$%s*%04X\r\n" % (body, crc16_modbus(body)),
            {"format": "pairs", "checksum": "crc16_modbus"},
        ),
    }
    for name, (line, options) in forms.items():
        channels = [Channel(f, lines.Options(port="x", field=f, **options)) for f in ("t", "ph")]
        codec = lines.LineCodec(channels)
        data = b"\n" + line * LINES
        row(f"lines, {name}, two probes", LINES, timed(lambda c=codec, d=data: c.feed(d, 0.0)))
    text = w1_slave(24.3125).encode()
    row("1-wire scratchpad judged", LINES, timed(lambda: [onewire.judge(text) for _ in range(LINES)]))


def kernel_files(folder: Path) -> None:
    for cls in (OneWireRig, IioRig):
        (folder / cls.name).mkdir()
        rig = cls(folder / cls.name)
        rig.plug()
        driver = rig.build()
        driver.open()
        driver.poll(5.0)
        row(f"{cls.name}, one poll through children", 200, timed(lambda d=driver: [d.poll(5.0) for _ in range(200)]))
        driver.close()


def broker(folder: Path, count: int = 3000) -> None:
    b = Broker(folder / "broker", keeps=False)
    driver = mqtt.MqttDriver([Channel("t", mqtt.Options(topic="t", host="127.0.0.1", port=b.port))], time.monotonic)
    driver.open()
    thread = threading.Thread(target=publish, args=(b.port, "t", b"24.3"), kwargs={"times": count})
    thread.start()
    thread.join()
    seen = 0

    def drain() -> None:
        nonlocal seen
        while seen < count:
            seen += len(driver.poll(1.0))

    row("mqtt, messages that waited in the socket", count, timed(drain))
    driver.close()
    b.stop()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        codecs()
        kernel_files(Path(name))
        broker(Path(name))
