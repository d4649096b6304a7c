"""Events for the time-series store's tests, and what the store must hold of them, worked out apart from the feed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from rushlight.events import Event, Reading, Test
from rushlight.journal.export import events as exported
from rushlight.settings import Config, Kit, Probe, Site, Tank

START_S = 1_748_736_000.0  # 2025-06-01T00:00:00Z, by `date -u -d 2025-06-01 +%s`
SITE = "Rowan Street library"

Found = dict[tuple[str, frozenset[tuple[str, str]], int], float]


def config() -> Config:
    return Config(
        site=Site(name=SITE, timezone="Europe/Dublin"),
        tank=(Tank(id="foyer", litres=140, name="Foyer"),),
        kit=(Kit(id="strip", pads={"nitrate": (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)}),),
        probe=(
            Probe(id="foyer-temp", tank="foyer", quantity="temperature", every_seconds=10),
            Probe(id="foyer-light", tank="foyer", quantity="light", every_seconds=10),
        ),
    )


def events(from_no: int, to_no: int) -> Iterator[Event]:
    """The events with arrival numbers after `from_no` up to `to_no`: two probes every ten seconds, a daily strip."""
    for n in range(from_no + 1, to_no + 1):
        at_s = START_S + 5.0 * n
        if n % 17_280 == 100:
            yield Test(at_s=at_s, id=f"test-{n}", tank="foyer", method="strip", values={"nitrate": 25.0, "ph": 7.0})
        elif n % 2:
            yield Reading(at_s=at_s, probe="foyer-temp", value=24.0 + (n % 97) / 100)
        else:
            yield Reading(at_s=at_s, probe="foyer-light", value=float(5000 + n % 211))


def expected(journal: Path) -> Found:
    """What the store must hold for the journal's readings and tests; flags are left out."""
    return wanted(exported(journal))


def wanted(source: Iterable[Event]) -> Found:
    """The same for events from anywhere.  Written out by hand for these two probes and this kit."""
    common = {"site": SITE, "installation": "inst", "tank": "foyer"}
    quantity = {"foyer-temp": "temperature", "foyer-light": "light"}
    out: Found = {}
    for e in source:
        at_ms = round(e.at_s * 1000)
        if isinstance(e, Reading):
            assert e.value is not None
            tags = common | {"probe": e.probe, "quantity": quantity[e.probe]}
            out["reading_value", frozenset(tags.items()), at_ms] = e.value
        elif isinstance(e, Test):
            for name, value in e.values.items():
                tags = common | {"quantity": name, "method": e.method}
                assert isinstance(value, float)
                out["test_value", frozenset(tags.items()), at_ms] = value
    return out


def values_only(found: Found) -> Found:
    return {k: v for k, v in found.items() if k[0].endswith("_value")}
