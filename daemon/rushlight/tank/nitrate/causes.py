"""Why the net rate changed: what is recorded, what each of it can explain, and what is left over.

Owns the comparison of the present with the last quiet period.  The change that the tests show is split by conditioning
independent normal expectations, one for each recorded cause and one for what nobody recorded, on their sum being the
change seen: what is known well keeps its value, what is known badly gives way, and the parts add up.
Never says that something was done which is not in the ledger.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from rushlight.effects import Estimate
from rushlight.localtime import DAY_S, local_day
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry import nitrogen
from rushlight.science.inference.gaussian import mixture_moments
from rushlight.science.plants.response import grown_back, nitrification_left, uptake_left
from rushlight.tank.ledger import Fact, Ledger
from rushlight.tank.nitrate.balance import LIGHT, SHARE, WARMTH, Balance, known, level_parts, rate_parts
from rushlight.tank.nitrate.change_habit import CHANGES_DAYS, CHANGES_MISSED, habit_ended_s
from rushlight.tank.nitrate.kinds import scale
from rushlight.tank.nitrate.quiet import is_quiet
from rushlight.views import Share

ORDER = ("feed", "light", "temperature", "harvest", "water changes", "source water", "stocking", "unexplained")
"""Simplest first: where two causes explain about the same, the one that stands earlier is told first."""

NOW_DAYS = 14.0
"""What counts as now (own choice)."""
BEFORE_DAYS = (70.0, 14.0)
"""What counts as before: from so long to so long before the tank was last quiet.  A slow change is well under way
before it shows, so the last days of quiet are not what things were like (own choice)."""
UNSEEN_DAYS = 42.0
"""For so long a sudden change can hide from weekly strips: events count from so long before the last quiet (own
choice)."""
WARMER_C = 1.0
"""A mean over weeks that has moved by less is weather (own choice)."""
STANDING_DAYS = 75.0
"""The nitrogen that plants hold, in days of uptake, to judge what a harvest took: no source, and badly known."""
HARVEST_DOUBT = 0.9
"""How badly that is known: standard deviation as a share of itself (own choice)."""
STOCKING_PART = (0.3, 0.25)
"""What new fish add where nobody records the feed, as a share of supply: mean and standard deviation, no source."""
LEFTOVER = 0.2
"""Standard deviation of what nobody recorded, as a share of supply (own choice)."""
CARRIED_PART = 0.3
"""How well it is known what water changes carry, as a share of it: a handful of them, and a level that strips tell (own
choice)."""
WEIGHTY = 0.25
"""A recorded cause of this share of the change is the simpler story while it is not sure that there is another (own
choice)."""
STAYS = 0.7
"""A cause that was named stays so while it explains this share of what the largest explains (own choice)."""
BLAMED_DAYS = 90.0
"""A harvest longer ago than this, more than three quarters of which has grown back, is blamed for nothing (own
choice)."""
NOTABLE, NOTABLE_SURE = 0.05, 0.5
"""A change is looked into from this share of supply, and so many of its standard deviations, on (own choice)."""

_Z90 = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class Drivers:
    """What bore on nitrate over some weeks; None is not known."""

    feed: float
    """mg/L per day at a share of one."""
    feed_logged: bool
    light_mol: float | None
    water_c: float | None
    exchange: float
    """Fraction of the water per day."""
    every_days: float | None
    """Days from one water change to the next."""
    source: float | None
    """Of the last change, mg/L."""
    level: float | None
    """By the tests alone, mg/L."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A recorded cause: the change that it should have made, mg/L per day, and the words for it."""

    cause: str
    mean: float
    sd: float
    text: str


def drivers(
    ledger: Ledger,
    feed_on: Callable[[str], float],
    zone: ZoneInfo,
    span_s: tuple[float, float],
    changes_days: float = CHANGES_DAYS,
) -> Drivers:
    """The drivers between two instants; water changes over at least `changes_days` up to the second of them."""
    from_s, to_s = span_s
    first, last = (local_day(t, zone) for t in span_s)
    days = [(first + dt.timedelta(days=n)).isoformat() for n in range(max(1, (last - first).days))]
    lights, warmth = (
        [f.amount for f in ledger.later_than(from_s, to_s) if f.kind == kind and not f.dirty]
        for kind in ("light", "temperature")
    )
    start_s = min(from_s, to_s - changes_days * DAY_S)
    if ledger.facts:  # no record, no habit: do not count the weeks before it as weeks without a change
        start_s = max(start_s, min(ledger.facts[0].at_s, to_s - DAY_S))
    changes = [f for f in ledger.later_than(start_s, to_s) if f.kind == "change"]
    sources = [f.source for f in changes if f.source is not None]
    tests = [f for f in ledger.later_than(from_s, to_s) if f.kind == "test"]
    levels = [0.5 * (f.low + (f.high if f.high is not None else f.low)) for f in tests]
    return Drivers(
        feed=sum(feed_on(day) for day in days) / len(days),
        feed_logged=any(day in ledger.fed for day in days),
        light_mol=sum(lights) / len(lights) if len(lights) >= 3 else None,
        water_c=sum(warmth) / len(warmth) if len(warmth) >= 3 else None,
        exchange=sum(f.amount for f in changes) * DAY_S / (to_s - start_s),
        every_days=(to_s - start_s) / DAY_S / len(changes) if changes else None,
        source=sources[-1] if sources else None,
        level=sum(levels) / len(levels) if levels else None,
    )


def split(
    ledger: Ledger,
    feed_on: Callable[[str], float],
    zone: ZoneInfo,
    balance: Balance,
    litres: float,
    named: str = "",
    units: Units = METRIC,
) -> tuple[tuple[Share, ...], str]:
    """The causes of the change since the tank was last quiet, largest first, and one sentence; nothing if none shows.

    `feed_on` gives a local day's feed as mg/L per day at a share of one; `named` is the cause that was told before.
    """
    quiet_s = balance.quiet_at_s
    if quiet_s is None:
        return (), ""
    ended_s = habit_ended_s(ledger, balance)
    if ended_s is not None:
        quiet_s = min(quiet_s, ended_s)
    elif is_quiet(balance):
        return (), ""
    then = drivers(ledger, feed_on, zone, _before(ledger, quiet_s))
    missed = CHANGES_DAYS if then.every_days is None else min(CHANGES_DAYS, CHANGES_MISSED * then.every_days)
    now = drivers(ledger, feed_on, zone, (balance.at_s - NOW_DAYS * DAY_S, balance.at_s), missed)
    rate, rate_sd = mixture_moments(rate_parts(balance))
    facts = ledger.later_than(quiet_s - UNSEEN_DAYS * DAY_S, balance.at_s)
    suspects = _suspects(facts, balance, litres, then, now, units)
    carried = sum(s.mean for s in suspects if s.cause in {"water changes", "source water"})
    seen = rate - balance.quiet_rate + carried
    seen_sd = math.hypot(rate_sd, balance.quiet_rate_sd)
    size = scale(balance.usual)
    if abs(seen) < max(NOTABLE * size, NOTABLE_SURE * seen_sd):
        return (), ""
    parts = _condition(suspects, seen, seen_sd, LEFTOVER * size, named)
    return parts, _sentence(parts, sum(p.change.mean for p in parts), evidence_tests(ledger, balance), units)


def evidence_tests(ledger: Ledger, balance: Balance) -> int:
    """How many tests the comparison rests on: since the tank was last quiet, or its water was last changed by habit."""
    ended_s = habit_ended_s(ledger, balance)
    if ended_s is None:
        return balance.tests_since_quiet
    return max(balance.tests_since_quiet, sum(f.kind == "test" for f in ledger.later_than(ended_s, balance.at_s)))


def _before(ledger: Ledger, quiet_s: float) -> tuple[float, float]:
    early, late = (quiet_s - days * DAY_S for days in BEFORE_DAYS)
    first_s = ledger.facts[0].at_s if ledger.facts else early
    if first_s > late - 7 * DAY_S:  # a young record: all of it up to the quiet
        late = max(quiet_s, first_s + DAY_S)
    return max(early, min(first_s, late - DAY_S)), late


def _suspects(
    facts: list[Fact], balance: Balance, litres: float, then: Drivers, now: Drivers, units: Units
) -> list[Suspect]:
    share, share_sd = known(balance, SHARE)
    level = then.level if then.level is not None else sum(w * m for w, m, _ in level_parts(balance))
    uptake = share * then.feed if then.feed > 0.0 else scale(0.0)
    found = (
        _feed(share, share_sd, then, now),
        _light(uptake, known(balance, LIGHT), then, now),
        _temperature(uptake, known(balance, WARMTH), then, now, units),
        _harvest(facts, uptake, litres, balance.at_s),
        _changes(level, then, now),
        _source(then, now, units),
        _stocking(facts, scale(balance.usual), now),
    )
    return [s for s in found if s is not None]


def _feed(share: float, share_sd: float, then: Drivers, now: Drivers) -> Suspect | None:
    more = now.feed - then.feed
    if abs(more) < 0.03 * max(then.feed, now.feed):
        return None
    word = "more" if more > 0.0 else "less"
    told = (
        f"{100 * (abs(more) / then.feed):.0f} % {word} feed than before" if then.feed > 0.0 else "feed is recorded now"
    )
    return Suspect("feed", share * more, share_sd * abs(more), told)


def _light(uptake: float, response: tuple[float, float], then: Drivers, now: Drivers) -> Suspect | None:
    if not then.light_mol or now.light_mol is None:
        return None
    per_mol = uptake / then.light_mol
    lost = then.light_mol - now.light_mol
    told = f"the plants get {now.light_mol:.1f} mol/m² of light a day, before {then.light_mol:.1f}"
    mean, sd = response
    return Suspect("light", mean * per_mol * lost, sd * per_mol * abs(lost) + 0.02 * uptake, told)


def _temperature(
    uptake: float, answer: tuple[float, float], then: Drivers, now: Drivers, units: Units
) -> Suspect | None:
    """Plants take up less in cooler water; the filter slows too, and then catches up, so it is told and not counted."""
    if then.water_c is None or now.water_c is None or abs(now.water_c - then.water_c) < WARMER_C:
        return None
    middle = uptake_left(then.water_c, now.water_c, answer[0])
    doubt = answer[1] * abs(now.water_c - then.water_c) / 10.0 * middle
    filter_percent = 100.0 * (nitrification_left(then.water_c, now.water_c) - 1.0)
    told = (
        f"the water is {units.say(now.water_c, '°C', '.1f')}, before {units.figure(then.water_c, '°C', '.1f')}, "
        "by which plants take up about "
        f"{abs(100.0 * (1.0 - middle)):.0f} % {'less' if middle < 1.0 else 'more'} and the filter works "
        f"{abs(filter_percent):.0f} % {'slower' if filter_percent < 0.0 else 'faster'}"
    )
    return Suspect("temperature", (1.0 - middle) * uptake, doubt * uptake, told)


def _harvest(facts: list[Fact], uptake: float, litres: float, at_s: float) -> Suspect | None:
    cuts = [f for f in facts if f.kind == "harvest" and at_s - f.at_s < BLAMED_DAYS * DAY_S]
    if not cuts:
        return None
    daily_g = uptake * litres / nitrogen.NITRATE_PER_NITROGEN / 1000.0
    lost = 0.0
    for cut in cuts:
        part = cut.amount / (cut.amount + STANDING_DAYS * daily_g) if daily_g > 0.0 else 0.5
        lost += part * (1.0 - grown_back((at_s - cut.at_s) / DAY_S))
    lost = min(0.9, lost)
    return Suspect("harvest", lost * uptake, HARVEST_DOUBT * lost * uptake, "plants were cut back")


def _changes(level: float, then: Drivers, now: Drivers) -> Suspect | None:
    fewer = then.exchange - now.exchange
    if abs(fewer) < 1e-4:
        return None
    source = then.source if then.source is not None else now.source if now.source is not None else 0.0
    carried = fewer * max(0.0, level - source)  # of the water as it was: that there is more in it now is the effect
    now_percent, then_percent = (f"{700 * d.exchange:.0f} %" if d.exchange > 0.0 else "none" for d in (now, then))
    told = f"{now_percent} of the water is changed a week, before {then_percent}"
    if now.exchange <= 0.0:
        told = f"no water is changed now, before {then_percent} a week"
    return Suspect("water changes", carried, CARRIED_PART * abs(carried), told)


def _source(then: Drivers, now: Drivers, units: Units) -> Suspect | None:
    if then.source is None or now.source is None or abs(now.source - then.source) < 0.5:
        return None
    brought = now.exchange * (now.source - then.source)
    told = f"the source water holds {units.say(now.source, 'mg/L', '.0f')} nitrate (as NO3), before {then.source:.0f}"
    return Suspect("source water", brought, CARRIED_PART * abs(brought), told)


def _stocking(facts: list[Fact], size: float, now: Drivers) -> Suspect | None:
    fish = sum(f.amount for f in facts if f.kind == "stocking")
    if not fish or now.feed_logged:  # fish make nitrate of nothing but feed; where that is recorded it is counted
        return None
    sign = math.copysign(1.0, fish)
    told = f"{abs(fish):.0f} fish {'came' if fish > 0 else 'went'}, and the feed is not recorded"
    return Suspect("stocking", sign * STOCKING_PART[0] * size, STOCKING_PART[1] * size, told)


def _condition(
    suspects: list[Suspect], seen: float, seen_sd: float, leftover_sd: float, named: str
) -> tuple[Share, ...]:
    """Each part given that all of them sum to the change seen; that one's own doubt goes where the parts give way."""
    parts = [*suspects, Suspect("unexplained", 0.0, leftover_sd, "nothing recorded explains it")]
    total = sum(p.sd**2 for p in parts)
    surprise = seen - sum(p.mean for p in parts)
    shares = []
    for p in parts:
        gain = p.sd**2 / total
        mean = p.mean + gain * surprise
        half = _Z90 * math.sqrt(max(0.0, p.sd**2 * (1.0 - gain) + (gain * seen_sd) ** 2))
        shares.append(Share(cause=p.cause, change=Estimate(mean=mean, low=mean - half, high=mean + half), text=p.text))
    return _in_order(shares, named)


def _in_order(shares: list[Share], named: str = "") -> tuple[Share, ...]:
    """Largest first, and the simpler first of two that explain about the same.

    What nobody recorded comes before a recorded cause of weight only by that part of it that is sure.  A cause that was
    named stays named while it explains nearly as much as another: it is not changed by a day's drift of two estimates.
    """
    total = sum(s.change.mean for s in shares)
    direction = math.copysign(1.0, total)
    coarse = 0.1 * max(abs(s.change.mean) for s in shares) or 1.0
    recorded = max((direction * s.change.mean for s in shares if s.cause != "unexplained"), default=0.0)

    def size(share: Share) -> float:
        if share.cause == "unexplained" and recorded >= WEIGHTY * abs(total):
            return share.change.low if direction > 0.0 else -share.change.high
        return direction * share.change.mean

    ordered = sorted(shares, key=lambda s: (-round(size(s) / coarse), ORDER.index(s.cause)))
    held = next((s for s in ordered if s.cause == named != "unexplained"), None)
    if held is not None and size(held) >= STAYS * size(ordered[0]):
        ordered = [held, *(s for s in ordered if s is not held)]
    return tuple(ordered)


def _sentence(parts: tuple[Share, ...], total: float, tests: int, units: Units) -> str:
    word = "rises" if total > 0.0 else "falls"
    rate = units.say_change(abs(total), "mg/L as NO3 a day", ".2f")
    per_day = f"{rate} faster than when the tank was last quiet"
    first = parts[0]
    part = first.change.mean / total if total else 0.0
    if first.cause == "unexplained":
        why = "Nothing recorded explains most of it."
    elif part >= 1.0:
        why = f"Simplest cause: {first.text}; that would explain all of it."
    else:
        why = f"Simplest cause: {first.text}; that explains about {100 * part:.0f} % of it."
    again = " All of this rests on one test: test again before changing anything." if tests <= 1 else ""
    return f"Nitrate {word} {per_day}. {why}{again}"
