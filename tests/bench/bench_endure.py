"""What lasts: memory, objects and files of the engine and its journal over ten simulated years, and a day's writing.

    python tests/bench/bench_endure.py [--quick]

Memory is compared with the end of the first month, when everything has been loaded that ever will be.  Objects are
counted by type, so that a leak names itself.  Bytes written are counted by the kernel for a day of four probes every
ten seconds, with all that is dirty written out every thirty seconds, as a kernel does on its own (dirty_expire); the
log's shared index counts too, for it is a mapped file.  The floor appends the same rows to a plain file at the same
pace.
"""

from __future__ import annotations

import gc
import os
import struct
import sys
import tempfile
import types
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import paho.mqtt.client as paho
from figures import Figure, proc, resident_mb, show

from helpers.accelerated import DAY_S, House, value
from rushlight.host import memory
from rushlight.intake.polling import Pledge
from rushlight.journal.upkeep import Keep
from rushlight.service import snapshots
from rushlight_drivers import Channel, mqtt

WRITE_OUT_S = 30
SUFFIXES = ("", "-wal", "-shm", ".mirror", ".state", ".mark", ".entries")
PACE_S = 1800
"""After the first month, which goes by at a reading a minute so that every cache is full."""


def objects() -> Counter[str]:
    """How many there are of each type."""
    gc.collect()
    return Counter(type(o).__qualname__ for o in gc.get_objects())


def years(count: int) -> list[Figure]:
    """So many years, the first month at a reading a minute, the rest at one every half hour."""
    with tempfile.TemporaryDirectory() as name:
        memory.settle()  # as the service does
        house = House(Path(name), every_s=PACE_S)
        month_mb, month, most_wal = 0.0, Counter[str](), 0
        wal = house.journal.path.with_name(house.journal.path.name + "-wal")
        house.every_s = 60
        for day in house.live(count * 365):
            most_wal = max(most_wal, wal.stat().st_size)
            if day == 30:
                month, month_mb = objects(), resident_mb()
                house.every_s = PACE_S
            if day % 365 == 0 or day == 30:
                state = len(snapshots.dump(house.engine.timeline.state))
                size = house.journal.path.stat().st_size / 1e6
                print(
                    f"day {day:5}  {resident_mb():6.1f} MB  state {state:8,} bytes  journal {size:6.1f} MB", flush=True
                )
        end, end_mb = objects(), resident_mb()
        grown = {k: n - month[k] for k, n in end.items() if n - month[k] > 200}
        house.close()
    print("objects more than after a month:", dict(sorted(grown.items(), key=lambda i: -i[1])[:8]))
    times = end_mb / month_mb
    return [
        Figure("resident after a month, in process", month_mb, "MB"),
        Figure(
            f"resident after {count} years",
            end_mb,
            "MB",
            month_mb,
            beside="a month",
            goal="within 5 %",
            met=times <= 1.05,
        ),
        Figure(f"objects after {count} years", end.total(), "", month.total(), beside="a month"),
        Figure("longest write-ahead log", most_wal / 1e6, "MB", goal="< 8 MB", met=most_wal < 8e6),
        Figure(f"journal after {count} years at half-hourly readings", size, "MB"),
    ]


def write_out(*files: Path) -> None:
    """Have what is dirty written."""
    for file in files:
        if file.exists():
            fd = os.open(file, os.O_RDWR)
            os.fdatasync(fd)
            os.close(fd)


def written_a_day(*, confirmed: bool = False) -> float:
    """MB of the third day, which thins out the first: what is kept for ninety days is kept for one here.

    `confirmed`: every reading comes at QoS 1 and is confirmed to its broker after the commit that holds it.
    """
    with tempfile.TemporaryDirectory() as name:
        house = Confirmed(Path(name)) if confirmed else House(Path(name), keep=Keep(raw_days=1))
        path = house.journal.path
        files = [path.with_name(path.name + suffix) for suffix in SUFFIXES]
        last_s = 0.0

        def every_step() -> None:
            nonlocal last_s
            if house.clock.mono_s() - last_s >= WRITE_OUT_S:
                last_s = house.clock.mono_s()
                write_out(*files)

        begun = 0
        for day in house.live(3, every_step):
            if day == 2:
                begun = proc("self", "io", "write_bytes")
        write_out(*files)
        total = proc("self", "io", "write_bytes") - begun
        house.close()
    return total / 1e6


class Confirmed(House):
    """Its four probes come from one broker, through the driver's own book of what is not confirmed yet."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, keep=Keep(raw_days=1))
        asked = [mqtt.Options(topic=i, qos=1, window=1000) for i, _ in self._channels]
        channels = [Channel(i, o, q) for (i, q), o in zip(self._channels, asked, strict=True)]
        self._driver = mqtt.MqttDriver(channels, self.clock.mono_s)
        self._driver._client = types.SimpleNamespace(ack=lambda _number, _qos: None)  # type: ignore[assignment]
        self._number = 0

    def step(self) -> None:
        """One message of every probe, the hand-over with its pledge, and the engine's turn."""
        self.clock.advance(self.every_s)
        for name, quantity in self._channels:
            self._number = self._number % 65535 + 1
            message = paho.MQTTMessage(self._number, name.encode())
            message.qos, message.payload = 1, str(value(quantity, self.clock.wall_s(), self.chance)).encode()
            self._driver._on_message(None, None, message)  # type: ignore[arg-type]
        samples, self._driver._inbox = self._driver._inbox, []
        upto, pressed = self._driver.upto, self._driver.pressed
        self.engine.hand(samples, Pledge("mqtt:broker", self._driver, upto, pressed=pressed))
        self.engine.once(0.0)
        self._driver._acknowledge()


def floor_a_day(flush_s: float) -> float:
    """MB for the same rows appended to a file at the same pace: time, probe, value."""
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "rows"
        begun = proc("self", "io", "write_bytes")
        with file.open("ab") as out:
            for n in range(round(DAY_S / flush_s)):
                out.write(struct.pack("<qid", n, 1, 24.0) * round(4 * flush_s / 10))
                out.flush()
                os.fdatasync(out.fileno())
        return (proc("self", "io", "write_bytes") - begun) / 1e6


def figures(*, quick: bool) -> list[Figure]:
    """All of it."""
    mb = written_a_day()
    floor = floor_a_day(300.0)
    day = Figure("written a day, 4 probes every 10 s", mb, "MB", floor, None, "append to a file", "< 15 MB", mb < 15)
    mb = written_a_day(confirmed=True)
    sure = Figure("the same, every reading confirmed at QoS 1", mb, "MB", goal="< 15 MB", met=mb < 15)
    return [day, sure, *years(2 if quick else 10)]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
