"""What a reader may hold against texts told of one tank at one moment; written apart from the code that makes them.

Knows the texts alone, and what was entered.  Whatever it cannot read it cannot judge: `figures` says what it read, so
that a test can see that it read something.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

_N = r"(−?\d+(?:\.\d+)?)"
_OF = r"(?: as NO3)?"
LEVEL = re.compile(rf"[Nn]itrate (?:now |still )?about {_N} mg/L{_OF} \((?:90 %: )?{_N} to {_N}\)")
LIMIT = re.compile(rf"limit(?: of)? {_N} ?(?:mg/L{_OF})?(?= with| within|[,;.:]|$)")
LAMP = re.compile(rf"[Tt]he lamp gives(?: only)? {_N} %")
LAMP_BAND = re.compile(rf"[Tt]he lamp gives {_N} % \((?:90 %: )?{_N} to {_N}\)")
HARDNESS = re.compile(rf"[Cc]arbonate hardness about {_N} °dH \({_N} to {_N}\)")
RATE = re.compile(rf"(rising|falling)(?: by)? {_N} mg/L{_OF} a day(?: \({_N} to {_N}\))?")
WAY = re.compile(r"not clearly rising or falling|rising|falling")
DAYS = re.compile(rf"[Ee]ven odds(?: of passing {_N} mg/L{_OF})? in about {_N} days")
BEFORE = re.compile(rf"Told last at {_N}")
CHANGE_WATER = re.compile(r"[Cc]hange (?:the |\d|a (?:third|half|quarter)|as much|water|once)|[Cc]hange of water")
LIGHT_IS_LESS = re.compile(r"[Tt]he lamp gives (?:only|less)|[Ll]ess light|[Tt]oo little light")


def number(text: str) -> float:
    """A figure as people write it."""
    return float(text.replace("−", "-"))


def figures(texts: Iterable[str], pattern: re.Pattern[str]) -> list[tuple[float, ...]]:
    """What a pattern reads in the texts."""
    return [tuple(number(g) for g in m.groups() if g is not None) for t in texts for m in pattern.finditer(t)]


def same(a: float, b: float) -> bool:
    """Whether two figures may be one quantity, each rounded to two digits or to whole numbers."""
    return abs(a - b) <= max(0.5, 0.05 * max(abs(a), abs(b))) + 1e-9


def faults(texts: Sequence[str]) -> list[str]:
    """What contradicts what within texts that are told of one tank at one moment."""
    return [*_two_figures(texts), *_directions(texts), *_days(texts), *_stale(texts)]


def _two_figures(texts: Sequence[str]) -> Iterable[str]:
    for name, pattern in (("nitrate", LEVEL), ("its limit", LIMIT), ("the lamp", LAMP), ("hardness", HARDNESS)):
        told = [f[0] for f in figures(texts, pattern)]
        if name == "its limit":  # other quantities have limits too: only within texts that speak of nitrate alone
            told = [f[0] for f in figures([t for t in texts if LEVEL.search(t)], pattern)]
        if any(not same(told[0], other) for other in told):
            yield f"two figures for {name}: {sorted(set(told))}"
    for level, low, high in figures(texts, LEVEL):
        if not low <= level + 0.5 or not level - 0.5 <= high:
            yield f"{level} lies outside of {low} to {high}"


def _directions(texts: Sequence[str]) -> Iterable[str]:
    ways = {"sure" if w in ("rising", "falling") else "open" for t in texts for w in _ways(t)}
    if len(ways) > 1:
        yield "nitrate surely moves and does not"
    if {"rising", "falling"} <= {w for t in texts for w in _ways(t)}:
        yield "nitrate rises and falls"
    for t in texts:
        for m in RATE.finditer(t):
            if number(m[2]) < 0 or (m[3] is not None and number(m[3]) < 0):
                yield f"{m[1]} by an interval that holds 0: {m[0]}"


def _ways(text: str) -> list[str]:
    """Which way each sentence that tells nitrate's level says that it goes."""
    found = []
    for m in LEVEL.finditer(text):
        rest = re.split(r"[;.] |limit|$", text[m.end() :], maxsplit=1)[0] + text[m.end() :].partition("limit")[2][:60]
        way = WAY.search(re.split(r"[;.](?: |$)", rest)[0])
        found += [way[0]] if way else []
    return found


def _days(texts: Sequence[str]) -> Iterable[str]:
    levels, limits = figures(texts, LEVEL), figures([t for t in texts if LEVEL.search(t)], LIMIT)
    rates = [(m[1], number(m[2])) for t in texts for m in RATE.finditer(t)]
    for told in figures(texts, DAYS):
        if not levels or not limits:
            continue
        level, limit = levels[0][0], limits[0][0]
        if level >= limit + 0.5:
            yield f"{told[-1]} days to a limit of {limit} at {level}"
        for way, rate in rates:
            straight = (limit - level) / rate if rate else float("inf")
            # Level and rate are told rounded, and both may be off by half of their last digit.
            if (
                way == "falling"
                or not 0.4 * told[-1] <= straight + 0.6 / max(rate, 0.05)
                or straight > 2.6 * told[-1] + 2
            ):
                yield f"{told[-1]} days at {level}, {way} {rate} a day, limit {limit}"


def _stale(texts: Sequence[str]) -> Iterable[str]:
    for t in texts:
        now = LEVEL.search(t) or LAMP.search(t)
        for before in figures([t], BEFORE):
            if now is not None and number(now[1]) == before[0]:
                yield f"told anew without news: {before[0]}"


def asks_for_water(texts: Iterable[str]) -> bool:
    """Whether somebody is told to change water: in the order, not in what the page would show."""
    return any(CHANGE_WATER.search(t) and "before" not in t for t in texts)
