"""The invented year: what the probes would have said, and the water behind it.

Every number here is made up; a fixed seed makes the year the same each time.  The planted faults are listed in
`PLANTED`, so that a test can ask for each of them by its date.  What people do about it is `staff`'s.
"""

from __future__ import annotations

import datetime as dt
import math
import random
import zoneinfo
from collections.abc import Iterator
from dataclasses import dataclass

from rushlight.events import Event, Reading

ZONE = zoneinfo.ZoneInfo("Europe/Dublin")
YEAR = 2026
EVERY_S = 300
_PADS = {
    "nitrate": (0, 10, 25, 50, 100, 250),
    "nitrite": (0, 0.5, 1, 3, 10),
    "ammonia": (0, 0.5, 1, 3, 6),
    "ph": (6.0, 6.5, 7.0, 7.5, 8.0, 8.5),
    "kh": (0, 3, 5, 10, 15, 20),
    "gh": (0, 4, 9, 14, 20),
}


@dataclass(frozen=True, slots=True)
class Planted:
    """Something that goes wrong on purpose, the alarms that should tell, and by when.

    `because` is what the alarm's text must name as the first cause.  Until `until_day` it may still be spoken of, by
    `alarms` and by `also`.
    """

    what: str
    alarms: tuple[str, ...]
    tank: str
    from_day: dt.date
    by_day: dt.date
    because: str
    until_day: dt.date
    also: tuple[str, ...] = ()


def _day(month: int, day: int) -> dt.date:
    return dt.date(YEAR, month, day)


_NITRATE = ("nitrate_rising", "uptake_behind", "nitrate_high")

PLANTED = (
    Planted(
        "a tank still settling",
        ("nitrite_high",),
        "reading-room",
        _day(1, 1),
        _day(1, 31),
        "the biological filter is not ready",
        _day(1, 31),
    ),
    Planted(
        "the batten fades from April",
        ("lamp_dimming",),
        "foyer",
        _day(4, 6),
        _day(6, 15),
        "the lamp",
        _day(9, 14),
        ("light_low",),
    ),
    Planted(
        "children's week, the fish are fed double",
        ("nitrate_rising",),
        "foyer",
        _day(5, 9),
        _day(5, 24),
        "Simplest cause: % more feed than before",
        _day(6, 10),
        ("uptake_behind",),
    ),
    Planted(
        "the sedge is cut back by half",
        ("nitrate_rising",),
        "foyer",
        _day(6, 15),
        _day(7, 17),
        "Simplest cause: plants were cut back",
        _day(8, 31),
        _NITRATE,
    ),
    Planted(
        "under the faded batten nitrate goes over its limit",
        ("nitrate_high",),
        "foyer",
        _day(8, 6),
        _day(9, 14),
        "The lamp gives only %",
        _day(11, 3),
        _NITRATE,
    ),
    Planted(
        "a calibration fell into the closure",
        ("calibration_due",),
        "foyer",
        _day(7, 18),
        _day(8, 10),
        "was last calibrated",
        _day(8, 18),
    ),
    Planted(
        "the strips run out",
        ("strips_low",),
        "foyer",
        _day(8, 3),
        _day(8, 17),
        "Buy test strips",
        _day(8, 26),
        ("test_overdue",),
    ),
    Planted(
        "they run out for both tanks",
        ("strips_low",),
        "reading-room",
        _day(8, 3),
        _day(8, 17),
        "Buy test strips",
        _day(8, 26),
        ("test_overdue",),
    ),
    Planted(
        "the pH probe reads one number",
        ("probe_fault",),
        "foyer",
        _day(10, 13),
        _day(10, 15),
        "has read 7.13 without the slightest change",
        _day(10, 16),
    ),
    Planted("no power overnight", ("probe_silent",), "foyer", _day(11, 18), _day(11, 19), "no power", _day(11, 19)),
    Planted(
        "no power there either",
        ("probe_silent",),
        "reading-room",
        _day(11, 18),
        _day(11, 19),
        "no power",
        _day(11, 19),
    ),
)
"""In `because`, % stands for a number."""


def lost_uptake(plants: float, at_s: float) -> dict[str, float]:
    """What part of what the foyer's plants could not take up each planted fault has taken, by its words in a text."""
    lamp, cut = LIT_BY_LAMP * (1.0 - lamp_output(at_s)), 1.0 - plants
    whole = lamp + cut
    return {"The lamp gives": lamp / whole, "plants were cut back": cut / whole} if whole > 0.0 else {}


PHONE = '\n[push]\nserver = "http://127.0.0.1:9"\ntopic = "library"\n'
"""A phone for the story, as configuration: the core writes the messages to it, and nobody sends them."""


def local(month: int, day: int, hour: float = 0.0) -> float:
    """Unix seconds of a local time in the year."""
    midnight = dt.datetime(YEAR, month, day, tzinfo=ZONE)
    return (midnight + dt.timedelta(hours=hour)).timestamp()


FADE_FROM_S, FADE_TO_S = local(4, 6), local(9, 14, 11.5)
FADE_PER_WEEK = 0.012
CHILDREN_FROM, CHILDREN_TO = dt.date(YEAR, 5, 9), dt.date(YEAR, 5, 18)
CLOSED_FROM, CLOSED_TO = dt.date(YEAR, 7, 18), dt.date(YEAR, 8, 1)
STUCK_FROM_S, STUCK_TO_S = local(10, 13, 14), local(10, 15, 14)
DARK_FROM_S, DARK_TO_S = local(11, 18, 22), local(11, 19, 8)
NO_STRIPS_FROM, NO_STRIPS_TO = dt.date(YEAR, 8, 17), dt.date(YEAR, 8, 26)


LIT_BY_LAMP = 0.8
"""What part of their uptake the foyer's plants owe to the batten."""


def lamp_output(at_s: float) -> float:
    """The foyer batten's output as a fraction of new."""
    if not FADE_FROM_S <= at_s < FADE_TO_S:
        return 1.0
    return math.exp(-FADE_PER_WEEK * (at_s - FADE_FROM_S) / (7 * 86400))


def readings(rng: random.Random) -> Iterator[Event]:
    """Every probe's value each five minutes, with the year's gaps and the stuck stretch."""
    start_s, end_s = local(1, 1), local(12, 31, 24)
    sky, room_c, ph = 0.5, 0.0, 7.1
    for n in range(int((end_s - start_s) / EVERY_S)):
        at_s = start_s + n * EVERY_S
        now = dt.datetime.fromtimestamp(at_s, ZONE)
        hour = now.hour + now.minute / 60
        sky = min(1.0, max(0.1, sky + rng.gauss(0.0, 0.03)))
        room_c += -room_c * 0.002 + rng.gauss(0.0, 0.02)
        ph += (7.1 - ph) * 0.001 + rng.gauss(0.0, 0.001)
        if DARK_FROM_S <= at_s < DARK_TO_S:
            continue
        daylight_lx = _sun(now) * sky
        swing_c = 0.25 * math.sin((hour - 10) / 24 * 2 * math.pi)
        stuck = STUCK_FROM_S <= at_s < STUCK_TO_S
        foyer_lx = daylight_lx * 900 + (6200 * lamp_output(at_s) if 8 <= hour < 18 else 0.0)
        room_lx = daylight_lx * 250 + (5100 if 9 <= hour < 19 else 0.0)
        values = (
            ("foyer-temperature", round(24.2 + room_c + swing_c + rng.gauss(0, 0.03), 3)),
            ("foyer-light", round(max(0.0, foyer_lx * (1 + rng.gauss(0, 0.01)) + rng.random()), 1)),
            ("foyer-ph", 7.13 if stuck else round(ph + 0.08 * swing_c + rng.gauss(0, 0.008), 3)),
            ("reading-temperature", round(24.6 + 0.6 * room_c + swing_c + rng.gauss(0, 0.03), 3)),
            ("reading-light", round(max(0.0, room_lx * (1 + rng.gauss(0, 0.01)) + rng.random()), 1)),
        )
        for probe, value in values:
            yield Reading(at_s=at_s, probe=probe, value=value)


def _sun(now: dt.datetime) -> float:
    """A rough sun over Dublin, 0 to 1: enough for an invented window."""
    day = now.timetuple().tm_yday
    decl = math.radians(23.45) * math.sin(2 * math.pi * (284 + day) / 365)
    lat = math.radians(53.3)
    utc_hour = (now.timestamp() % 86400) / 3600
    angle = math.radians(15 * (utc_hour - 12.4))
    return max(0.0, math.sin(lat) * math.sin(decl) + math.cos(lat) * math.cos(decl) * math.cos(angle))


class Water:
    """Nitrate in one tank, a day at a time: supply from feed, uptake by plants under so much light."""

    def __init__(self, litres: float, nitrate: float, full_uptake: float) -> None:
        self.litres, self.nitrate, self.full_uptake = litres, nitrate, full_uptake
        self.plants = 1.0

    def day(self, feed_g: float, light: float) -> None:
        supply = feed_g * 0.42 / 6.25 * 0.7 * 1000 * 4.4268 / self.litres
        uptake = self.full_uptake * light * self.plants * self.nitrate / (self.nitrate + 1.5)
        self.nitrate = max(0.0, self.nitrate + supply - uptake)
        self.plants += (1.0 - self.plants) * 0.012

    def change(self, fraction: float, source: float = 5.0) -> None:
        self.nitrate += fraction * (source - self.nitrate)


def strip(rng: random.Random, name: str, truth: float, spread: float = 0.12) -> float:
    """What a person reads: the pad nearest to a value seen through a tired eye."""
    seen = truth + rng.gauss(0, 0.15) if name == "ph" else truth * (1 + rng.gauss(0, spread))
    return float(min(_PADS[name], key=lambda pad: abs(pad - seen)))
