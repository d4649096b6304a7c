"""Which probe is in which tank, told by touch: a hand warms a thermometer or shades a light probe, and it is seen live.

Owns what counts as touched.  `touched` is pure; `homes` talks, and hears the probes through their drivers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from rushlight.clock import Clock
from rushlight.guide.dialogue import Dialogue
from rushlight_drivers.discover import Proposal

PATIENCE_S = 60.0
"""So long a touch is waited for; a sealed thermometer in a hand warms by a degree in well under that (our choice)."""
WARMED_C = 1.0
"""Water moves by less within that time, a hand is ten degrees warmer (our choice, as are the next two)."""
SHADED = 0.5
CLEARLY = 2.0
"""The touched probe moves at least so many times as far as any other of its kind."""
_DARK_LX = 5.0
"""Below this a light probe has nothing to lose."""


class Ears(Protocol):
    """What hears probes: `service.starting.live.Live`, or a test's."""

    def value(self, probe: str) -> float | None: ...
    def wait(self, seconds: float) -> None: ...


Hear = Callable[[Sequence[Proposal]], AbstractContextManager[Ears]]


def touched(quantity: str, first: Mapping[str, float], now: Mapping[str, float]) -> str:
    """The one probe of its kind that was touched since `first`; empty while that is not clear."""
    moved = {p: _moved(quantity, first[p], now[p]) for p in first if p in now}
    most = max(moved, key=lambda p: moved[p], default="")
    if not most or moved[most] < 1.0:
        return ""
    rest = max((m for p, m in moved.items() if p != most), default=0.0)
    return most if moved[most] >= CLEARLY * rest else ""


def _moved(quantity: str, before: float, after: float) -> float:
    """How far, with 1 for just enough."""
    if quantity == "temperature":
        return (after - before) / WARMED_C
    return 0.0 if before < _DARK_LX else max(0.0, 1.0 - after / before) / SHADED


def device(probe: Proposal) -> str:
    """What is in a tank as one thing: a board with all that it sends, or the probe by itself."""
    return str(probe.options.get("port") or probe.id)


def homes(
    talk: Dialogue, probes: Sequence[Proposal], tanks: Mapping[str, str], hear: Hear, clock: Clock
) -> dict[str, str]:
    """Tank id by probe id; `tanks` gives each tank's name.  What a name does not say is told by touch, the rest asked.

    Nothing is asked where there is one tank.
    """
    sure = [p for p in probes if p.sure]
    if len(tanks) < 2 or not sure:
        return {}
    of_device = {device(p): named(p.id, list(tanks)) for p in sure}
    open_ = [p for p in sure if not of_device[device(p)]]
    kinds = [q for q in ("temperature", "light") if len({device(p) for p in open_ if p.quantity == q}) > 1]
    if kinds:
        by_touch = [p for p in open_ if p.quantity in kinds]
        of_device |= _by_touch(talk, by_touch, tanks, hear, clock)
    left = sorted({device(p) for p in sure if not of_device[device(p)]})
    if left:
        of_device |= _asked(talk, left, sure, tanks)
    for p in sure:
        talk.say(f"  {p.id}: {tanks[of_device[device(p)]]}")
    return {p.id: of_device[device(p)] for p in sure}


def named(probe: str, tanks: Sequence[str]) -> str:
    """The tank whose id stands in the probe's, as `foyer` in `ph-foyer-board`, the longest such; empty for none."""
    return max((t for t in tanks if f"-{t}-" in f"-{probe}-"), key=len, default="")


def _by_touch(
    talk: Dialogue, probes: Sequence[Proposal], tanks: Mapping[str, str], hear: Hear, clock: Clock
) -> dict[str, str]:
    """One question, then tank after tank; the last needs no touch where one probe of a kind is left for it."""
    answer = talk.ask(
        f"Press Enter, then touch the probes of tank after tank as they are named: a hand round the thermometer,"
        f" another over the light probe; {PATIENCE_S:.0f} s are given for each (skip: name them instead)",
        "",
    )
    found: dict[str, str] = {}
    if answer.strip().lower() == "skip":
        return found
    with hear(probes) as ears:
        for n, (tank, name) in enumerate(tanks.items()):
            left = [p for p in probes if device(p) not in found]
            if n == len(tanks) - 1:
                found |= {device(p): tank for p in _single(left)}
                break
            if not left:
                break
            talk.say(f"  Now touch {name}'s probes.")
            seen = _watch(talk, ears, left, clock)
            if not seen:
                talk.say("Nothing moved clearly enough.")
                break
            found |= {device(p): tank for p in seen}
    return found


def _single(probes: Sequence[Proposal]) -> list[Proposal]:
    """Those that are alone of their kind."""
    kinds = [p.quantity for p in probes]
    return [p for p in probes if kinds.count(p.quantity) == 1]


def _watch(talk: Dialogue, ears: Ears, probes: Sequence[Proposal], clock: Clock) -> list[Proposal]:
    """The touched of these probes, one of a kind at most; as soon as there is one of each kind, or when time is up."""
    first: dict[str, float] = {}
    found: dict[str, Proposal] = {}
    until_s = clock.mono_s() + PATIENCE_S
    while clock.mono_s() < until_s and len(found) < len({p.quantity for p in probes}):
        ears.wait(0.5)
        now = {p.id: v for p in probes if (v := ears.value(p.id)) is not None}
        first = now | first
        for p in probes:
            mine = {o.id for o in probes if o.quantity == p.quantity}
            then, here = ({k: v for k, v in values.items() if k in mine} for values in (first, now))
            if p.quantity not in found and touched(p.quantity, then, here) == p.id:
                found[p.quantity] = p
                talk.say(f"  {p.id}: touched, {then[p.id]:.3g} became {here[p.id]:.3g}")
    return list(found.values())


def _asked(talk: Dialogue, left: Sequence[str], probes: Sequence[Proposal], tanks: Mapping[str, str]) -> dict[str, str]:
    """One question for all that is left."""
    for thing in left:
        about = [p for p in probes if device(p) == thing]
        talk.say(f"  {' and '.join(p.id for p in about)}: {about[0].why}")
    names = [" and ".join(p.id for p in probes if device(p) == thing) for thing in left]
    by_name = {name.lower(): tank for tank, name in tanks.items()} | {tank: tank for tank in tanks}

    def read(text: str) -> list[str]:
        given = [g.strip().lower() for g in text.split(",") if g.strip()]
        if unknown := [g for g in given if g not in by_name]:
            raise ValueError(f"{unknown[0]} is no tank; one of {', '.join(tanks.values())}")
        if len(given) not in {1, len(left)}:
            raise ValueError(f"{len(left)} names with commas between them, or one for all")
        return [by_name[g] for g in given] * (len(left) if len(given) == 1 else 1)

    question = f"Which tank {'is it' if len(left) == 1 else 'are they'} in: {', '.join(names)}"
    return dict(zip(left, talk.ask_for(question, next(iter(tanks.values())), read), strict=True))
