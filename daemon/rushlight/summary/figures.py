"""The summary's pictures: nitrate and light over the last eight weeks, drawn by the one drawing room.

Each comes with the same in words, for readers with pictures blocked or no eyes on them.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight import drawing
from rushlight.effects import Daily
from rushlight.events import Event, Test
from rushlight.localtime import DAY_S, local_day
from rushlight.localunits import Units, number
from rushlight.settings import Config, Tank
from rushlight.summary.build import Picture
from rushlight.tank.amounts import nitrate_span

SPAN_S = 56 * DAY_S


def tank_pictures(
    config: Config, tank: Tank, days: Sequence[Daily], entries: Sequence[Event], at_s: float
) -> list[Picture]:
    """Pictures of one tank up to `at_s`; empty where there is nothing to see yet."""
    zone = zoneinfo.ZoneInfo(config.site.timezone)
    recent = [d for d in days if d.at_s > at_s - SPAN_S]
    tests = [e for e in entries if isinstance(e, Test) and e.tank == tank.id and e.at_s > at_s - SPAN_S]
    return [p for p in (_nitrate(config, tank, recent, tests, zone), _light(tank, recent, zone)) if p is not None]


def _nitrate(
    config: Config, tank: Tank, days: Sequence[Daily], tests: Sequence[Test], zone: zoneinfo.ZoneInfo
) -> Picture | None:
    history = [(d.at_s, n.mean, n.low, n.high) for d in days if (n := d.nitrate) is not None]
    if not history:
        return None
    bars = [b for t in tests if (b := _bar(config, tank, t)) is not None]
    limit, unit = tank.limits.nitrate, Units(config.site.units).word("mg/L as NO3")
    svg = drawing.nitrate(history, (), bars, limit, zone=zone, palette=drawing.MAIL, unit=unit)
    first, last = history[0][1], history[-1][1]
    said = f"Nitrate over {len(history)} days: from {number(first)} to {number(last)} {unit}"
    said += f", limit {number(limit, 3)}."
    return Picture(f"nitrate-{tank.id}", said, svg)


def _bar(config: Config, tank: Tank, test: Test) -> drawing.Bar | None:
    span = nitrate_span(test, tank, config.kit)
    return None if span is None else drawing.Bar(test.at_s, span.low, span.high)


def _light(tank: Tank, days: Sequence[Daily], zone: zoneinfo.ZoneInfo) -> Picture | None:
    doses = [(d.at_s - DAY_S, d.lamp_dose_mol, d.light_dose_mol) for d in days]
    known = [whole for _, _, whole in doses if whole is not None]
    if not known:
        return None
    percent = [(d.at_s, d.lamp_percent) for d in days]
    svg = drawing.light(doses, percent, zone=zone, palette=drawing.MAIL)
    said = f"Light over {len(known)} days: from {number(known[0], 3)} to {number(known[-1], 3)} mol/m² a day."
    return Picture(f"light-{tank.id}", said, svg)


LATELY_S, APART_S = 16 * DAY_S, 10 * DAY_S
"""A picture older than that is no 'now', and one so near to it no 'then'."""
THEN_S = 28 * DAY_S


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture of the diary: when, its bytes, and the share that is leaf where it was measured."""

    at_s: float
    jpeg: bytes
    cover: float | None


def then_and_now(tank: Tank, then: Shot, now: Shot, at_s: float, zone: zoneinfo.ZoneInfo) -> list[Picture]:
    """The plants about four weeks before and lately, with one sentence; empty where one is no news or too near."""
    if not (at_s - now.at_s <= LATELY_S and now.at_s - then.at_s >= APART_S):
        return []
    one, other = (f"{local_day(s.at_s, zone):%-d %B}" for s in (then, now))
    said = f"The plants on {one} and on {other}"
    if then.cover is not None and now.cover is not None:
        said += f": {100 * then.cover:.0f} % of the marked part was leaf, now {100 * now.cover:.0f} %"
    return [
        Picture(f"then-{tank.id}", f"{tank.title}: the plants on {one}.", jpeg=then.jpeg),
        Picture(f"now-{tank.id}", f"{tank.title}: the plants on {other}.", jpeg=now.jpeg, caption=f"{said}."),
    ]
