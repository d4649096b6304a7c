"""Installations for the fleet's benches: each with a journal and the real outlet, a day run through in minutes.

Started as a process it keeps a share of the installations:

    python tests/helpers/fleetday.py WORK.json

Readings carry the day's own times; what is said of the present moment carries the present.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
import math
import random
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from rushlight.clock import SystemClock
from rushlight.effects import AlarmChange, Estimate
from rushlight.events import Event, Reading, Test
from rushlight.journal.export import events as exported
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal
from rushlight.outlets.timeseries import feed
from rushlight.outlets.timeseries.journal_walk import JournalHistory
from rushlight.outlets.timeseries.live import Machine, live_points
from rushlight.outlets.timeseries.points import Points
from rushlight.settings import Config, Kit, Probe, Site, Tank, Timeseries
from rushlight.views import SiteView, TankView

DAY_START_S = 1_763_942_400  # 2025-11-24T00:00:00Z, by `date -u -d 2025-11-24 +%s`
TANKS = 4
QUANTITIES = {"temperature": "t", "light": "l"}


def config(name: str, settings: Timeseries | None = None, every_s: float = 120.0) -> Config:
    probes = [
        Probe(id=f"{name}-{n}-{short}", tank=f"tank-{n}", quantity=quantity, every_seconds=every_s)
        for n in range(TANKS)
        for quantity, short in QUANTITIES.items()
    ]
    return Config(
        site=Site(name=f"site of {name}", timezone="Europe/Dublin"),
        tank=tuple(Tank(id=f"tank-{n}", litres=100 + n) for n in range(TANKS)),
        kit=(Kit(id="strip", pads={"nitrate": (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)}),),
        probe=tuple(probes),
        timeseries=settings or Timeseries(),
    )


def day(name: str, from_s: float, to_s: float, every_s: float) -> Iterator[Event]:
    """What is measured and tested from `from_s` until before `to_s`, seconds since the day began, of 86 400.

    A thermometer of sixteenths of a degree with a slow swing and a digit's noise, and a lamp from 8 to 18 h in whole
    lux: invented, but with as many changing digits as such probes have, for the store packs what repeats.
    """
    rng = random.Random(f"{name} {from_s}")
    step = math.ceil(from_s / every_s)
    while step * every_s < to_s:
        since_s = step * every_s
        at_s = DAY_START_S + since_s
        for n in range(TANKS):
            swing = 24.0 + 0.4 * math.sin(2 * math.pi * since_s / 86_400 + n) + rng.gauss(0, 0.04)
            yield Reading(at_s=at_s + n, probe=f"{name}-{n}-t", value=round(swing * 16) / 16)
            lit = 8 * 3600 <= since_s < 18 * 3600
            yield Reading(at_s=at_s + n, probe=f"{name}-{n}-l", value=float(round(rng.gauss(5200, 12))) if lit else 0.0)
        step += 1
    for n in range(TANKS):
        noon = 43_200 + 600 * n
        if from_s <= noon < to_s:
            tested = {"nitrate": 25.0}
            yield Test(at_s=DAY_START_S + noon, id=f"{name}-{n}", tank=f"tank-{n}", method="strip", values=tested)


def alarm(name: str, state: str, since_s: float) -> AlarmChange:
    return AlarmChange(
        at_s=DAY_START_S + since_s, id=f"tank-0.ph_low.{name}", alarm="ph_low", tank="tank-0", occurrence=1,
        state=state, priority="medium", text="",  # type: ignore[arg-type]
    )  # fmt: skip


def view(name: str, now_s: float) -> SiteView:
    tanks = tuple(
        TankView(
            id=f"tank-{n}", title=f"Tank {n}", litres=100, nitrate=Estimate(mean=20.0 + n, low=12.0, high=30.0),
            kept_up=Estimate(mean=0.9, low=0.7, high=1.1), days_to_limit=20.0 + n, lamp_percent=95.0,
            due_at_s=now_s + 86_400 * (n + 1),
        )
        for n in range(TANKS)
    )  # fmt: skip
    return SiteView(at_s=now_s, name=f"site of {name}", timezone="Europe/Dublin", tanks=tanks)


Row = tuple[str, str, str, int, float]
"""Name with field, tank, probe or method, milliseconds since 1970, value."""


def wanted(name: str, journal: Path) -> list[Row]:
    """What the store must hold of an installation's readings and tests, from its journal, written out by hand."""
    rows: list[Row] = []
    quantity = {f"{name}-{n}-{short}": f"tank-{n}" for n in range(TANKS) for short in QUANTITIES.values()}
    for e in exported(journal):
        if isinstance(e, Reading):
            assert e.value is not None
            rows.append(("reading_value", quantity[e.probe], e.probe, round(e.at_s * 1000), e.value))
        elif isinstance(e, Test):
            rows.append(("test_value", e.tank, e.method, round(e.at_s * 1000), float(e.values["nitrate"])))
    rows += [
        ("alarm_state", "tank-0", "ph_low", (DAY_START_S + s) * 1000, v) for s, v in ((20_000, 3.0), (60_000, 0.0))
    ]
    return sorted(rows)


def checksum(rows: list[Row]) -> str:
    return hashlib.sha256("\n".join(map(repr, rows)).encode()).hexdigest()[:16]


class Pi:
    """One installation: journal and outlet, turned from outside."""

    def __init__(self, name: str, token: str, settings: Timeseries, folder: Path, every_s: float) -> None:
        self.name, self._every_s, self.due_s, self._told = name, every_s, 0.0, 0.0
        self.path = folder / f"{name}.sqlite"
        self.journal = Journal(self.path, boot_id="boot")
        self.journal.open(DAY_START_S)
        conf = config(name, settings, every_s)
        history = JournalHistory(
            self.journal.reader, lambda w: w(self.journal), [t.id for t in conf.tank], folder / f"{name}.aside", "store"
        )

        def live(ahead_s: float | None) -> list[feed.Point]:
            machine = Machine(version="1.0", board=f"board-{name}")
            return live_points(conf, f"id-{name}", view(name, time.time()), machine, ahead_s)

        self.outlet = feed.TimeseriesOutlet(
            settings,
            history,
            lambda: Points(conf, f"id-{name}"),
            SystemClock(),
            threading.Event(),
            token=token,
            live=live,
        )

    def measure(self, until_s: float) -> None:
        """Keep what is measured up to that second of the day."""
        items = [Recorded(e) for e in day(self.name, self._told, until_s, self._every_s)]
        effects = [
            alarm(self.name, state, s)
            for s, state in ((20_000, "unacknowledged"), (60_000, "normal"))
            if self._told <= s < until_s
        ]
        if items or effects:
            assert self.journal.append(items, effects, urgent=True, at_s=DAY_START_S).durable
        self._told = until_s

    def turn(self, now_s: float) -> None:
        if now_s >= self.due_s:
            self.due_s = now_s + self.outlet.turn()

    @property
    def settled(self) -> bool:
        return self.journal.steering.cursor("store.events") == self.journal.last_seq and bool(
            self.journal.steering.period_done("store.alarms")
        )


def work(job: dict[str, object]) -> None:
    """Run a share of the installations through the day, then on until all of it is settled."""
    feed.LONGEST_WAIT_S = float(job["longest_wait_s"])  # type: ignore[arg-type]
    folder, begun_s, took_s = Path(str(job["folder"])), float(job["begun_s"]), float(job["took_s"])  # type: ignore[arg-type]
    every_s = float(job["every_s"])  # type: ignore[arg-type]
    make = functools.partial(Timeseries, org="fleet", bucket="fleet", ca_file=str(job["ca"]), every_seconds=5.0)
    pis = [Pi(n, t, make(url=u), folder, every_s) for n, t, u in job["members"]]  # type: ignore[attr-defined]
    for pi in pis:
        pi.outlet.live_every_s = float(job["live_s"])  # type: ignore[arg-type]
    while True:
        share = min(1.0, max(0.0, time.time() - begun_s) / took_s)
        for pi in pis:
            if (folder / f"{pi.name}.off").exists():
                continue
            pi.measure(86_400 * share)
            pi.turn(time.monotonic())
        if share >= 1.0 and all(pi.settled for pi in pis):
            (folder / f"{pis[0].name}.done").touch()
        if (folder / "end").exists():
            break
        time.sleep(0.2)
    for pi in pis:
        pi.journal.close(DAY_START_S)


def texts(name: str, seconds: float, every_s: float) -> list[str]:
    """An installation's lines by the real outlet's code, readings and tests, then the moment once each two minutes."""
    conf, points = config(name, every_s=every_s), Points(config(name, every_s=every_s), f"id-{name}")
    lines = feed.lines_of(p for e in day(name, 0, seconds, every_s) for p in points.of(e))
    machine = Machine(version="1.0", board=f"board-{name}")
    for n in range(int(seconds // 120)):
        shown = dataclasses.replace(view(name, time.time() - seconds + 120 * n))
        lines += feed.lines_of(live_points(conf, f"id-{name}", shown, machine, 0.0))
    return lines


if __name__ == "__main__":
    work(json.loads(Path(sys.argv[1]).read_text()))
