"""What a world of faults is made of: the installation, the kinds of fault, and the script that a number draws."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import random
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rushlight.core.step import Core
from rushlight.core.timeline import Timeline, by_arrival
from rushlight.eventlines import parse_line
from rushlight.events import INTERNAL_KINDS, Event, Reading
from rushlight.journal import export
from rushlight.journal.recovery import check
from rushlight.journal.store import Journal
from rushlight.service import snapshots
from rushlight.settings import Config
from rushlight_drivers import LinkError, Sample

STEP_S = 600.0
HOUR_S = 3600.0
DAY_S = 86400.0
BEAT_S = 3600.0
SPRING_S, AUTUMN_S = 1_774_483_200.0, 1_792_627_200.0
"""Midnight UTC on 26 March and on 22 October 2026: three days before Europe's clocks change."""

CONFIG = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
latitude = 53.3
longitude = -6.3
[[tank]]
id = "foyer"
name = "Foyer"
litres = 140
started = 2025-01-10
source_water = {{ nitrate = 5.0, kh = 12.0, gh = 7.0, ph = 7.4 }}
feed = {{ grams_per_day = 0.9, protein_percent = 42 }}
testing = {{ shortest_days = 2, longest_days = 10, kit = "strip" }}
limits = {{ nitrate = 60, kh_low = 0, temperature = {{ low = 21, high = 27 }}, ph = {{ low = 6.4, high = 7.8 }} }}
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250], nitrite = [0, 0.5, 1, 3, 10] }}
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "simulated"
every_seconds = 600
[[probe]]
id = "foyer-ph"
tank = "foyer"
quantity = "ph"
driver = "simulated"
every_seconds = 600
[push]
server = "http://push.invalid"
topic = "tanks"
per_hour = 60
[email]
host = "mail.invalid"
security = "none"
sender = "tanks@library.invalid"
to = ["duty@library.invalid"]
weekly_day = {weekly_day}
[heartbeat]
url = "http://watcher.invalid/beat"
every_seconds = 3600
[contacts]
quiet_from = "00:00"
quiet_until = "00:00"
"""

OUTLETS = """
[page]
enabled = true
[mqtt]
host = "broker.invalid"
[hub]
commands = ["acknowledge", "test", "record", "correct", "calibrate", "shelve"]
[timeseries]
url = "http://store.invalid:8086"
org = "library"
bucket = "tanks"
token = "not-a-secret"
every_seconds = 300
"""

NO_PAGE = "[page]\nenabled = false\n"

PROBES = {"foyer-temperature": "temperature", "foyer-ph": "ph"}
KINDS = (
    "unplug", "broker", "garble", "freeze", "drift", "hot", "network", "push", "smtp", "disk_full", "read_only",
    "corrupt", "clock_ahead", "clock_back", "power", "crash", "slow_card", "stuck_send",
)  # fmt: skip
OUTLET_KINDS = (
    "hub_cut", "hub_wiped", "hub_taken", "hub_died", "hub_refused", "hub_slow", "hub_garbage", "store",
)  # fmt: skip
"""What befalls the hub's broker and the time-series store; none of it may reach an alarm or the heartbeat."""


@dataclass(frozen=True)
class Fault:
    """What happens from `at_s` (seconds since the world began) for `lasts_s`; `how` says which probe or mood."""

    at_s: float
    kind: str
    lasts_s: float
    how: str = ""

    @property
    def end_s(self) -> float:
        return self.at_s + self.lasts_s


PEACE_S = 18 * HOUR_S
"""At the end of a world, for everything to be told and to come right again."""


def script(seed: int, days: float, *, outlets: bool = True, often_h: float = 9.0) -> list[Fault]:
    """The faults of one world; its first hours and its end are left in peace."""
    faults = _together(seed)
    chance, at_s = random.Random(f"script {seed}"), ALONE_H * HOUR_S if faults else 4 * HOUR_S
    while True:
        at_s += chance.expovariate(1 / (often_h * HOUR_S))
        kind = chance.choice(KINDS)
        lasts_s = chance.choice((0.5, 1.0, 3.0, 8.0, 20.0)) * HOUR_S * chance.uniform(0.7, 1.3)
        how = ""
        if kind in ("unplug", "garble", "freeze"):
            how = chance.choice(list(PROBES))
        elif kind in ("push", "smtp"):
            how = chance.choice(("429", "500", "hang", "reset") if kind == "push" else ("450", "hang", "reset"))
        elif kind.startswith("clock"):
            how = str(round(chance.choice((60, 1200, 7200, 30 * DAY_S)) * chance.uniform(0.5, 1.5)))
        elif kind in ("power", "crash"):
            how = str(chance.randrange(0, 40))
        if at_s > days * DAY_S - PEACE_S - HOUR_S:
            return sorted([*faults, *(_outlet_script(seed, days) if outlets else ())], key=lambda f: f.at_s)
        lasts_s = min(lasts_s, days * DAY_S - PEACE_S - at_s)
        faults.append(Fault(at_s, kind, lasts_s, how))


ALONE_H = 18.0
"""Until then nothing else happens in a world that begins with faults that go together."""
TOGETHER: tuple[tuple[tuple[float, str, float, str], ...], ...] = (
    # Nobody sees the tank and nobody can be told, though the watcher outside is reached: no ping.
    ((5.0, "broker", 9.0, ""), (4.5, "push", 10.0, "500"), (4.5, "smtp", 10.0, "450")),
    # A true alarm comes and goes while every receiver puts it off: it is told when they take it.
    ((5.0, "hot", 3.0, ""), (4.5, "push", 7.0, "429"), (4.5, "smtp", 7.0, "450")),
    # A start without a time server, which comes back hours later: what was heard meanwhile moves to its time.
    ((5.0, "network", 6.0, ""), (6.0, "power", 0.5, "3")),
    # The power goes right after the keeper's evening entry (`World._keeper`), and again after the night.
    ((100 / 6 + 0.2, "power", 0.5, "0"),),
)
"""Hour, kind, hours and how.  Drawn one by one, the dice don't show these within the suite's worlds: each is what a
mutant of `bench/mutation_gate` needs to be seen by."""


def _together(seed: int) -> list[Fault]:
    """Of every fifth world, in turn; the others are as the dice fall."""
    if seed % 5 != 1:
        return []
    faults = TOGETHER[seed // 5 % len(TOGETHER)]
    return [Fault(at_h * HOUR_S, kind, lasts_h * HOUR_S, how) for at_h, kind, lasts_h, how in faults]


def _outlet_script(seed: int, days: float, *, often_h: float = 9.0) -> list[Fault]:
    """Drawn apart, so that the other faults of a number stay what they were."""
    chance, at_s, faults = random.Random(f"outlets {seed}"), 2 * HOUR_S, []
    while True:
        at_s += chance.expovariate(1 / (often_h * HOUR_S))
        kind = chance.choice((*OUTLET_KINDS, "store", "store"))
        lasts_s = chance.choice((0.3, 1.0, 5.0, 15.0)) * HOUR_S * chance.uniform(0.7, 1.3)
        moods = ("500", "503", "401", "garbage", "hang", "reset", "forget", "forget")
        how = chance.choice(moods) if kind == "store" else ""
        if at_s > days * DAY_S - PEACE_S - HOUR_S:
            return faults
        faults.append(Fault(at_s, kind, min(lasts_s, days * DAY_S - PEACE_S - at_s), how))


class BrokenInvariantError(AssertionError):
    """Says which seed, what was broken and the whole fault script."""


class Probes:
    """The driver of the simulated link, with what goes wrong on the way from the water."""

    def __init__(self, world: Any) -> None:
        self.world = world
        self._frozen: dict[str, float] = {}

    def open(self) -> None:
        if self.world.on("broker"):
            raise LinkError("no broker")

    def close(self) -> None: ...

    def poll(self, _timeout_s: float) -> Sequence[Sample]:
        self.open()
        return [s for name in PROBES if (s := self._say(name)) is not None]

    def _say(self, name: str) -> Sample | None:
        world, mono_s = self.world, self.world.clock.mono_s()
        value = world.water(name)
        if world.on("unplug", name):
            return None
        if world.on("garble", name):
            return Sample(name, mono_s, None, "garbled", "half a line")
        if world.on("freeze", name):
            value = self._frozen.setdefault(name, value)
        else:
            self._frozen.pop(name, None)
        return Sample(name, mono_s, value)


def difference(a: bytes, b: bytes) -> str:
    n = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    return f"…{a[max(0, n - 120) : n + 60]!r} and …{b[max(0, n - 120) : n + 60]!r}"


def state_of(config: Config, events: Iterable[Event], to_s: float) -> bytes:
    """What these events make of an empty state by `to_s`."""
    core = Core(config)
    timeline = Timeline(core, core.initial())
    for event in events:
        timeline.feed(event)
    timeline.advance(to_s)
    return snapshots.dump(timeline.state)


def export_fault(config: Config, journal: Journal, to_s: float) -> tuple[str, bool]:
    """What is wrong with the exported lines, empty for nothing; and whether their replay could be compared.

    Every event that is not about the machine itself is there, as it is kept.  Where none arrived before the one kept
    before it (a clock was set back then), the lines make the very state that the kept events make, apart from the order
    of names: of one moment's readings the lines have another one first.
    """
    kept = [s.event for s in journal.events_since(0) if s.event.kind not in INTERNAL_KINDS]
    parsed = [parse_line(line, n) for n, line in enumerate(export.lines(journal.path), start=1)]
    missing = Counter(map(_content, kept))
    missing.subtract(map(_content, parsed))
    wrong = [f"{n:+d} {what}" for what, n in missing.items() if n]
    if wrong:
        return f"the export is not what is kept: {wrong[:3]}", False
    arrivals = [e.arrived_s for e in kept]
    if arrivals != sorted(arrivals):
        return "", False
    straight, again = (
        json.dumps(json.loads(state_of(config, events, to_s)), sort_keys=True).encode()
        for events in (kept, by_arrival(parsed))
    )
    return "" if again == straight else f"the export makes another state: {difference(again, straight)}", True


def _content(event: Event) -> str:
    """What an event says; a reading is given its id only in the export."""
    return repr(dataclasses.replace(event, id="") if isinstance(event, Reading) else event)


@contextlib.contextmanager
def check_at_once() -> Iterator[None]:
    """The look over the file at a start, in this process instead of a child: the same check, a hundred times cheaper."""

    class Here:
        def __init__(self, path: Path, _limit_s: float) -> None:
            status, said = check.quick_check(path)
            self._found = {0: "sound", 1: "damaged"}.get(status, "unknown"), said

        def verdict(self, _wait_s: float, _spent_s: float = 0.0) -> tuple[str, str]:
            return self._found

        def stop(self) -> None: ...

    real, check.Check = check.Check, Here  # type: ignore[misc,assignment]
    try:
        yield
    finally:
        check.Check = real  # type: ignore[misc]
