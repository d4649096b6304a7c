"""One tank's growth: the rate of now with its interval, and whether it is well below the tank's own past.

Owns what is remembered of looks and harvests, and the verdict `growth_slowing`.  The filters are `growth.rates`'s.
Nobody is asked for looks: with none, nothing is said.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass, field
from statistics import median
from zoneinfo import ZoneInfo

from rushlight.alarms.evidence import GrowthEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.effects import Estimate
from rushlight.events import Growth, Harvest, TankEvent
from rushlight.localtime import DAY_S, local_date, told_date
from rushlight.science.chemistry import nitrogen
from rushlight.settings import Tank
from rushlight.tank.growth import rates, spots
from rushlight.tank.growth.rates import Fall, Fit
from rushlight.tank.growth.record import KEEP_S, WEEK_S, Cut, Record, Seen, seen_of
from rushlight.tank.growth.spots import SpotsState

FRESH_S = 4 * WEEK_S
"""A rate is of now as long as the last look is younger (own choice)."""
STALE_S = 6 * WEEK_S
ASK_S = 13 * DAY_S
"""A look every second week serves: so long after the last one it is asked for, on a day on which somebody tests
(own choice)."""
STEPS_WEEKS = (2.5, 3.5, 4.5, 6.0, 8.0)
"""How long ago a fall is looked for (own choice)."""
SURE_SD, IN_A_ROW = 2.0, 3
"""So many standard deviations, at so many looks one after the other, make a fall sure: tuned on simulated plants to
less than one in ten years without one (own choice)."""
APART_S = 4 * DAY_S
"""Looks closer together than this are one (own choice)."""
SLOW, BACK = 0.6, 0.8
"""Below the first share of its own pace growth is called slow, above the second it is so no more (own choice)."""
SETTLED_S = 5 * WEEK_S
LEAST_BEFORE = 0.04
"""A plant that hardly grew before cannot be seen to slow, per week (own choice)."""
_TEMPS_MOST = 90
MASS_KNOWN_SD = 0.7
"""A mass less well known than to a factor of three either way (90 %) tells nothing (own choice)."""
DRY_SD = 0.25
"""How far leaves' dry share strays, as a logarithm (no source)."""
_Z95 = 1.6448536269514722
ALIKE = 0.03
"""How far plants of one tank grow apart, per week: standard deviation, no source."""


@dataclass(slots=True)
class GrowthState:
    """All that is remembered.  Plain data."""

    record: Record = field(default_factory=Record)
    rate: Estimate | None = None
    """Of the tank, natural logarithm per week, over the four weeks before the last look."""
    rates: dict[str, Estimate] = field(default_factory=dict)
    """The same for each plant that was looked at by itself; '' is the tank as a whole."""
    bound: Estimate | None = None
    """Nitrogen that a week's growth of the tank's plants holds, mg; None without a harvest that tells their mass."""
    looked_s: float | None = None
    slow_s: float | None = None
    """Since when growth is called slow; None for not."""
    before: float | None = None
    """What the rate was, had it gone on as in the past."""
    share: float | None = None
    hits: list[float] = field(default_factory=list)
    """The last looks one after the other that each showed a sure fall."""
    spots: SpotsState = field(default_factory=SpotsState)
    temps: list[tuple[float, float]] = field(default_factory=list)
    """The water's temperature at the end of each of the last days."""


class GrowthWatch:
    """One tank's plants."""

    def __init__(self, tank: Tank, timezone: str) -> None:
        self.tank, self.zone = tank, ZoneInfo(timezone)

    def initial(self) -> GrowthState:
        """Nobody has looked yet."""
        return GrowthState()

    # ---- facts

    def on_fact(self, state: GrowthState, event: TankEvent) -> tuple[float, float] | None:
        """A look or a harvest, possibly late, possibly another version of one.

        Where it shows for the first time that growth is slow, that look's moment and the share left of the pace before.
        """
        if not isinstance(event, Growth | Harvest):
            return None
        self._drop(state, event.id)
        if isinstance(event, Harvest):
            grams = event.fresh_grams or (event.dry_grams or 0.0) / nitrogen.DRY_PER_FRESH
            cut = Cut(event.at_s, event.id, event.plant.strip().lower(), grams)
            bisect.insort(state.record.cuts, cut, key=lambda c: (c.at_s, c.id))
        elif (seen := seen_of(event)) is not None:
            bisect.insort(state.record.looks, seen, key=lambda s: (s.at_s, s.id))
        was_slow = state.slow_s is not None
        self._judge(state)
        if was_slow or state.slow_s is None or state.looked_s is None or state.share is None:
            return None
        return state.looked_s, state.share

    def void(self, state: GrowthState, event_id: str) -> None:
        """That look or harvest never was."""
        spots.void(state.spots, event_id)
        if event_id and self._drop(state, event_id):
            self._judge(state)

    @staticmethod
    def _drop(state: GrowthState, event_id: str) -> bool:
        record = state.record
        looks = [s for s in record.looks if s.id != event_id]
        cuts = [c for c in record.cuts if c.id != event_id]
        gone = (len(looks), len(cuts)) != (len(record.looks), len(record.cuts))
        record.looks, record.cuts = looks, cuts
        return gone

    def note_day(self, state: GrowthState, to_s: float, dose_mol: float | None, temp_c: float | None) -> None:
        """A local day ended: its light, where it was measured well, and the water's temperature."""
        if not state.record.looks and not state.spots.spots:
            return
        if temp_c is not None:
            state.temps = [*state.temps[-_TEMPS_MOST:], (to_s, round(temp_c, 2))]
        if dose_mol is not None:
            state.record.doses.append((to_s, round(dose_mol, 4)))
        if len(state.record.doses) > 500:
            state.record.forget(to_s - KEEP_S)

    # ---- judgement

    def _judge(self, state: GrowthState) -> None:
        record = state.record
        state.looked_s = record.looks[-1].at_s if record.looks else None
        if state.looked_s is not None:
            record.forget(state.looked_s - KEEP_S)
        fits: dict[str, Fit] = {}
        falls: list[tuple[str, Fall]] = []
        for plant in record.plants():
            looks, cuts = record.of(plant)
            if looks[-1].at_s < (state.looked_s or 0.0) - FRESH_S:
                continue
            fit = rates.rate(looks, cuts)
            if fit is not None:
                fits[plant] = fit
                falls += [(plant, f) for f in self._falls(state, looks, cuts, fit)]
        state.rates = {plant: fit.estimate() for plant, fit in fits.items()}
        state.rate = _together(list(state.rates.values()))
        state.bound = _bound(fits[""], state.rates[""]) if list(fits) == [""] else None
        self._decide(state, falls)

    def _falls(self, state: GrowthState, looks: list[Seen], cuts: list[Cut], fit: Fit) -> list[Fall]:
        light = _Light(state.record.doses)
        found = (rates.fall(looks, cuts, fit, weeks, light.between) for weeks in STEPS_WEEKS)
        return [f for f in found if f is not None]

    def _decide(self, state: GrowthState, falls: list[tuple[str, Fall]]) -> None:
        """Slow when one step explains the record far better than none; until it grows as before, or is past memory."""
        at_s = state.looked_s
        if at_s is None or not state.rates:
            state.slow_s = state.before = state.share = None
            state.hits = []
            return
        if state.slow_s is not None and state.before is not None and state.rate is not None:
            if at_s - state.slow_s < SETTLED_S:  # the last four weeks are not yet all of the time since
                return
            state.share = max(0.0, state.rate.mean) / state.before
            if state.share > BACK or at_s - state.slow_s > rates.HISTORY_WEEKS * WEEK_S:
                state.slow_s = state.before = state.share = None
            return
        sure = [
            (f.sureness, f)
            for _, f in falls
            if f.before > LEAST_BEFORE and f.since < SLOW * f.before and f.sureness > SURE_SD
        ]
        if not sure:
            state.hits = []
        elif not state.hits or at_s - state.hits[-1] >= APART_S:
            state.hits.append(at_s)
        if len(state.hits) >= IN_A_ROW:
            state.hits = []
            _, found = max(sure, key=lambda s: s[0])
            state.slow_s, state.before = at_s - found.weeks * WEEK_S, found.before
            state.share = max(0.0, found.since) / found.before

    # ---- told

    def rate(self, state: GrowthState, at_s: float) -> Estimate | None:
        """The tank's relative growth per week; None where nobody has looked enough lately."""
        return state.rate if state.looked_s is not None and at_s - state.looked_s <= FRESH_S else None

    def asked(self, state: GrowthState, at_s: float) -> str:
        """A look at growth to go with today's test; '' where it is too early, and where nobody looks any more."""
        if state.looked_s is None or not ASK_S <= at_s - state.looked_s <= STALE_S:
            return ""
        days = (at_s - state.looked_s) / DAY_S
        return f"The last look at growth was {days:.0f} days ago: with the test in hand it takes ten seconds."

    def findings(self, state: GrowthState, at_s: float) -> list[Finding]:
        """The word on `growth_slowing`; nothing where nobody ever looked."""
        if state.looked_s is None:
            return []
        slow = state.slow_s is not None and at_s - state.looked_s <= STALE_S
        says: Says = "raise" if slow else "clear"
        return [Finding(alarm="growth_slowing", tank=self.tank.id, says=says, evidence=self._evidence(state, at_s))]

    def _evidence(self, state: GrowthState, at_s: float) -> GrowthEvidence:
        if state.slow_s is None or state.share is None:
            return GrowthEvidence(growth_per_week=state.rate)
        since = told_date(state.slow_s, at_s, self.zone)
        return GrowthEvidence(
            sentence=f"the plants grow at about {100 * state.share:.0f} % of the pace that they had before {since}, "
            "under like light; nobody sees that by eye",
            growth_per_week=state.rate,
            before_per_week=state.before,
            share_of_before=state.share,
            since=local_date(state.slow_s, self.zone),
        )

    def colder_c(self, state: GrowthState, at_s: float) -> float:
        """How far the last two weeks' water was below that of the ten weeks before; 0 where it is not known."""
        now = [t for s, t in state.temps if at_s - s <= 14 * DAY_S]
        usual = [t for s, t in state.temps if 14 * DAY_S < at_s - s <= 84 * DAY_S]
        return median(usual) - median(now) if len(now) >= 5 and len(usual) >= 14 else 0.0


class _Light:
    """How much light came between two moments, in weeks of the record's usual light; time where it is not known."""

    def __init__(self, doses: list[tuple[float, float]]) -> None:
        self.ends = [at_s for at_s, _ in doses]
        self.doses = [dose for _, dose in doses]
        self.usual = sum(self.doses) / len(self.doses) if self.doses else 0.0

    def between(self, from_s: float, to_s: float) -> float:
        weeks = (to_s - from_s) / WEEK_S
        first, last = bisect.bisect_right(self.ends, from_s), bisect.bisect_right(self.ends, to_s + DAY_S / 2)
        held = self.doses[first:last]
        if self.usual <= 0.0 or len(held) < 0.7 * 7.0 * weeks - 1.0:
            return weeks
        return weeks * min(2.0, max(0.3, sum(held) / len(held) / self.usual)) if held else weeks


def _bound(fit: Fit, rate: Estimate) -> Estimate | None:
    """Nitrogen in a week's growth, mg; None where the mass is not known or growth can't be told from none."""
    if fit.mass is None or fit.mass[1] > MASS_KNOWN_SD or rate.mean < LEAST_BEFORE / 2.0:
        return None
    share, share_sd = nitrogen.TISSUE_NITROGEN_PER_DRY
    mean = 1000.0 * rate.mean * math.exp(min(15.0, fit.mass[0])) * nitrogen.DRY_PER_FRESH * share
    rate_sd = min(1.0, (rate.high - rate.low) / (2.0 * _Z95 * rate.mean))
    spread = math.exp(_Z95 * math.hypot(fit.mass[1], share_sd / share, DRY_SD, rate_sd))
    return Estimate(mean=mean, low=mean / spread, high=mean * spread)


def _together(found: list[Estimate]) -> Estimate | None:
    """One rate for the tank from its plants: each weighs by how well it is known and by how far plants differ."""
    if not found:
        return None
    if len(found) == 1:
        return found[0]
    wide = 2.0 * _Z95
    weights = [1.0 / (((e.high - e.low) / wide) ** 2 + ALIKE**2) for e in found]
    total = sum(weights)
    mean = sum(w * e.mean for w, e in zip(weights, found, strict=True)) / total
    half = 0.5 * wide / total**0.5
    return Estimate(mean=mean, low=mean - half, high=mean + half)
