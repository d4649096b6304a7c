"""One tank's tests as they were seen, its kits' checks, and what each test says once its kit is known.

Owns which pack a reading belongs to, and which tests say something else once a check comes, is corrected or is voided:
a check speaks for all that its pack reads, before and after.  The answer depends on the facts alone, never on the order
in which they arrived.  Never judges the water.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from rushlight.effects import Effect, Estimate, TestRead
from rushlight.events import KitCheck, Pack, TankEvent, Test
from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC, Units
from rushlight.science.measuring.units import to_standard
from rushlight.science.optics.stripscale import UnreadableError
from rushlight.settings import Kit, Substance, Tank
from rushlight.tank.kits import choice, errors, reading
from rushlight.tank.kits.choice import Option
from rushlight.tank.kits.errors import Point
from rushlight.tank.kits.known import Known, known_of
from rushlight.tank.kits.reading import Seen
from rushlight.tank.kits.said import Said

KEEP_DAYS = 400.0
"""What is older is no longer read anew (own choice)."""
_MOST_CHECKS = 200
_MEMO = 8


@dataclass(slots=True)
class KitsState:
    """What was seen and what was checked, oldest first."""

    seen: list[Seen] = field(default_factory=list)
    points: list[Point] = field(default_factory=list)
    packs: list[tuple[float, str]] = field(default_factory=list)
    """When a pack of this tank's kit was opened, and the entry."""


class KitsWatch:
    """Settings of one tank's kits; what it remembers is in a `KitsState`."""

    def __init__(self, tank: Tank, kits: Sequence[Kit], units: Units = METRIC) -> None:
        self.tank, self._units = tank, units
        self.kits = tuple(kits)
        self._own = tank.testing.kit or (kits[0].id if kits else "")
        self.own_first = tuple(sorted(self.kits, key=lambda k: k.id != self._own))
        self._memo: dict[tuple[Estimate, float | None, bool, bool, bool], Option] = {}

    def initial(self) -> KitsState:
        """Nothing seen yet."""
        return KitsState()

    # -- facts ---------------------------------------------------------------------------------------------

    def on_fact(self, state: KitsState, event: TankEvent) -> None:
        """A test or a new pack, possibly late; one with a known id replaces the old one.

        Raises:
            ValueError: a test's value or unit cannot be understood; nothing has been changed then.
        """
        found = list(reading.seen_of(event, self.tank, self.kits)) if isinstance(event, Test) else []
        self.void(state, event.id)
        if isinstance(event, Pack):
            state.packs = sorted([*state.packs, (event.at_s, event.id)])
        if found:  # of a test without an id, as tests of a watch alone have, the next one takes the place
            seen = sorted([*state.seen, *found], key=_order)
            state.seen = [s for s in seen if s.at_s > seen[-1].at_s - KEEP_DAYS * DAY_S]

    def on_check(self, state: KitsState, event: KitCheck) -> None:
        """A kit dipped in known solutions; it may be another tank's kit, and then it says nothing here."""
        self.void(state, event.id)
        made = [Point(held=held, label=event.pack, seen=seen) for held, seen in self._standards(event)]
        state.points = sorted([*state.points, *made], key=lambda p: _order(p.seen))[-_MOST_CHECKS:]

    def void(self, state: KitsState, event_id: str) -> bool:
        """That entry never was; True if other tests may say something else without it."""
        points = [p for p in state.points if p.seen.id != event_id]
        packs = [p for p in state.packs if p[1] != event_id]
        state.seen = [s for s in state.seen if s.id != event_id]
        changed = (len(points), len(packs)) != (len(state.points), len(state.packs))
        state.points, state.packs = points, packs
        return changed and bool(points or state.seen)

    def all_said(self, state: KitsState, substance: Substance) -> dict[str, Said | None]:
        """What every test kept says of one substance, by the test's id."""
        return {s.id: self.said(state, s) for s in state.seen if s.substance == substance}

    def _standards(self, event: KitCheck) -> Iterable[tuple[float, Seen]]:
        kit = next((k for k in self.kits if k.id == event.kit), None)
        method = kit.method if kit is not None else "strip"
        for standard in event.standards:
            name = standard.substance
            held = to_standard(name, standard.value, standard.unit)
            seen = Seen(at_s=event.at_s, id=event.id, substance=name, kit=event.kit, device=event.device, by="picture")
            if standard.picture is not None:
                try:
                    reading.by_picture(seen, standard.picture, standard.picture.pads()[name], standard.unit)
                except UnreadableError as e:
                    seen.unread, seen.why = True, str(e)
                yield held, seen
            if standard.read is not None:
                by_eye = replace(seen, unread=False, why="")
                reading.by_eye(by_eye, standard.read, standard.unit, kit, method)
                by_eye.densities, by_eye.fields, by_eye.signature = (), (), ()
                by_eye.noise, by_eye.leverage = 0.0, 0.0
                yield held, by_eye

    # -- what is known -------------------------------------------------------------------------------------

    def said(self, state: KitsState, seen: Seen) -> Said | None:
        """What this says, its kit being as its checks show; None where a picture was not believed."""
        return errors.said_of(seen, self.points(state, seen), self.pack_at(state, seen.kit, seen.at_s))

    def points(self, state: KitsState, seen: Seen) -> list[tuple[Point, int]]:
        """The checks that bear on a reading, each with the number of its pack."""
        same = [p for p in state.points if p.seen.kit == seen.kit and p.seen.substance == seen.substance]
        return [(p, self.pack_at(state, seen.kit, p.seen.at_s)) for p in same]

    def pack_at(self, state: KitsState, kit: str, at_s: float) -> int:
        """The number of the pack that was open then, from 0.

        A new one begins where one was opened, or where a check first names another.
        """
        opened = [s for s, _ in state.packs] if kit == self._own else []
        named = [(p.seen.at_s, p.label) for p in state.points if p.seen.kit == kit and p.label]
        begins = list(opened)
        for (before_s, before), (now_s, now) in pairwise(named):
            if now != before and not any(before_s < s <= now_s for s in opened):
                begins.append(now_s)
        return sum(s <= at_s for s in begins)

    def known(self, state: KitsState, at_s: float) -> list[Known]:
        """What the checks show of each kit, substance and way of reading, for the packs open at `at_s`."""
        ways = sorted({(p.seen.kit, p.seen.substance, p.seen.by) for p in state.points})
        found = []
        for kit, substance, by in ways:
            own = [p for p in state.points if (p.seen.kit, p.seen.substance, p.seen.by) == (kit, substance, by)]
            numbered = [(p, self.pack_at(state, kit, p.seen.at_s)) for p in own]
            known = known_of(numbered, self.pack_at(state, kit, at_s))
            found += [] if known is None else [known]
        return found

    def to_check(self, state: KitsState, at_s: float) -> str:
        """Why this tank's kit should be dipped in known solutions now; empty where there is no need."""
        own = [p for p in state.points if p.seen.kit == self._own]
        if own and self.pack_at(state, self._own, own[-1].seen.at_s) < self.pack_at(state, self._own, at_s):
            return "A new pack of strips is open since the kit was last checked: dip one or two in known solutions."
        pictures = any(s.by == "picture" and not s.unread for s in state.seen)
        if pictures and not any(p.seen.by == "picture" for p in own):
            return (
                "Pictures are read by the printed chart alone, which may be a quarter off: pictures of strips in known "
                "solutions make them finer."
            )
        return ""

    def best_test(
        self, state: KitsState, nitrate: Estimate, strips_left: float | None, *, left_open: bool = False
    ) -> Option:
        """What kind of test would tell most while nitrate is believed to be so, and why."""
        pictures = any(s.by == "picture" for s in state.seen)
        standards = any(p.seen.by == "picture" and not p.seen.unread for p in state.points)
        water = self.tank.source_water.get("nitrate")
        asked = (nitrate, strips_left, pictures, standards, left_open)
        if asked in self._memo:  # whoever looks, looks often, and it changes by the hour
            return self._memo[asked]
        found = choice.options(
            self.tank,
            self.kits,
            nitrate,
            water=water or 0.0,
            strips_left=strips_left,
            standards=standards,
            pictures=pictures,
            left_open=left_open,
        )
        if len(self._memo) >= _MEMO:
            self._memo.clear()
        above = nitrate.mean > self.tank.limits.nitrate
        self._memo[asked] = choice.choose(found, self.tank, water, self._units, above=above)
        return self._memo[asked]

    def of(self, state: KitsState, event_id: str) -> list[tuple[Seen, Said | None]]:
        """What one test says, a substance each."""
        return [(s, self.said(state, s)) for s in state.seen if s.id == event_id]

    def told(self, state: KitsState, event: Test, at_s: float) -> list[Effect]:
        """What a test alone says, for whoever asks: one effect a substance."""
        found: list[Effect] = []
        for seen, said in self.of(state, event.id):
            told = None if said is None else said.estimate()
            found.append(
                TestRead(
                    at_s=at_s,
                    tank=self.tank.id,
                    id=event.id,
                    substance=seen.substance,
                    mean=None if told is None else told.mean,
                    low=None if told is None else told.low,
                    high=None if told is None else told.high,
                    by="picture" if said is None else said.by,
                    why=seen.why or None,
                )
            )
        return found

    def as_read(self, state: KitsState, event: Test) -> Test:
        """The test with the values that it says of the tank's water, for watches that take one figure each.

        What was read by eye of an unthinned sample with a kit nobody checked stays as the person wrote it.
        """
        values = dict(event.values)
        units = dict(event.units)
        for seen, said in self.of(state, event.id):
            name: Substance = seen.substance
            if said is None:
                values.pop(name, None)
                units.pop(name, None)
            elif said.by == "picture" or seen.dilution > 1.0 or (said.low, said.high) != (seen.low, seen.high):
                middle = float(f"{said.middle():.3g}")
                values[name] = f">{middle:g}" if said.high is None else middle
                units.pop(name, None)
        return replace(event, values=values, units=units, picture=None, dilution=1.0, dilution_source={})


def _order(seen: Seen) -> tuple[float, str, str, str, float]:
    return (seen.at_s, seen.id, seen.substance, seen.by, seen.low)
