"""The nitrate watch: from what a person did and read to where nitrate is, where it goes, and three alarms.

Owns the ledger of facts, the checkpoints of the filter, and the re-run when an entry comes late, is corrected or is
voided.  The result depends on the facts alone, never on the order in which they arrived: the filter stops at local
midnights and at facts, and nowhere else, and what is asked for in between is worked out on a copy.
Never reads a probe, never decides when to test, never writes a message.

Feed: on a local day with feeding entries these replace what `tank.feed` assumes for that day; a day's feed is spread
over the whole day.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from zoneinfo import ZoneInfo

from rushlight.alarms.evidence import NitrateEvidence
from rushlight.alarms.finding import Finding, Says
from rushlight.effects import Estimate
from rushlight.events import TankEvent, Test
from rushlight.localtime import DAY_S, local_date, midnight_after, midnight_before
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry import nitrogen
from rushlight.settings import Kit, Tank
from rushlight.tank.amounts import fact_of, test_fact
from rushlight.tank.day import DayLight
from rushlight.tank.kits.said import Said
from rushlight.tank.ledger import Fact, Ledger
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import forecast, light_meaning, readings, trial
from rushlight.tank.nitrate.balance import Balance
from rushlight.tank.nitrate.causes import split
from rushlight.tank.nitrate.change_habit import end_habit, habit_ended_s, pace_since
from rushlight.tank.nitrate.quiet import note_quiet
from rushlight.tank.nitrate.report import BEHIND_SURE, LEAST_TESTS, RISING_LATER, NitrateReport, rising

KEEP_DAYS = 400
"""Facts older than this are folded into the oldest checkpoint; an entry that comes later still is not used
(own choice)."""
SENSELESS_PAD, SENSELESS_DENSITY = 0.2, 0.01
"""Likelihood of a reading that says nothing: one pad of about five, or a number somewhere within 100 mg/L
(own choice)."""
SOURCE_UNKNOWN = (10.0, 8.0)
"""Nitrate of source water that nobody gave, mean and standard deviation, mg/L (common practice, no source)."""
FRACTION_ERROR = 0.05
"""A water change is measured by eye: standard deviation as a share of the fraction (common practice, no source)."""
ELECTRODE_STEP_S = 6 * 3600.0
"""Electrode readings enter as medians over so long (own choice)."""

HIGH_RAISE, HIGH_CLEAR = 0.65, 0.20
"""Chance of being above the limit now.  The two lie far apart, as one pad of 25 beside others of 50 is no news (own
choice)."""
BEHIND_OVER, BEHIND_DAYS = 0.60, 14.0  # own choice


@dataclass(slots=True)
class NitrateState:
    """Everything that the watch remembers."""

    ledger: Ledger = field(default_factory=Ledger)
    checkpoints: list[Balance] = field(default_factory=list)
    """Rising in time; each holds every fact up to its own moment."""
    now: Balance | None = None
    """The filter at the last midnight or fact that it has reached."""
    folded_until_s: float | None = None
    version: int = 0
    """Rises with every change of the ledger."""
    named: str = ""
    """The first cause as it was told when the tank was last assessed; empty while there is none."""
    electrode_from_s: float | None = None
    """Start of the stretch being gathered."""
    electrode_sums: dict[str, tuple[float, int]] = field(default_factory=dict)
    """By hour of that stretch: sum and number of values."""


class NitrateWatch:
    """Settings of one tank's nitrate watch; what it remembers is in a `NitrateState`."""

    def __init__(
        self,
        tank: Tank,
        kits: Sequence[Kit],
        timezone: str,
        has_electrode: bool,
        latitude: float | None = None,
        units: Units = METRIC,
    ) -> None:
        self.tank, self._units = tank, units
        self.kits = tuple(kits)
        self.zone = ZoneInfo(timezone)
        self.has_electrode = has_electrode
        self.latitude = latitude
        self._assumed = nitrogen.feed_nitrogen_g(tank.feed.grams_per_day, tank.feed.protein_percent)
        self._memo: tuple[NitrateState, int, float, NitrateReport] | None = None
        self._seen: tuple[NitrateState, int, Balance] | None = None
        """How far somebody who looked has followed the filter: today's tests are not worked through at every look."""

    def initial(self) -> NitrateState:
        """Nothing known yet."""
        return NitrateState()

    # What happened

    def on_fact(self, state: NitrateState, event: TankEvent) -> None:
        """A manual entry, possibly late; one with an id that is known replaces the old one.

        A test is taken as its kit reads if nothing is known of it; `on_test` is for whoever knows more.

        Raises:
            ValueError: a test's nitrate value or unit cannot be understood; nothing has been changed then.
        """
        self._put(state, event, fact_of(event, self.tank, self.kits, self.zone))

    def on_test(self, state: NitrateState, event: Test, said: Said | None) -> None:
        """A test, possibly late, and what it says of nitrate; None: nothing."""
        self._put(state, event, test_fact(event, said))

    def read_anew(self, state: NitrateState, said: Mapping[str, Said | None]) -> None:
        """Tests, by id, that say something else than they did, as more is known of their kit; one re-run for all."""
        old = [f for f in state.ledger.facts if f.id in said and f.kind == "test"]
        new = [dataclasses.replace(f, said=told) for f in old if (told := said[f.id]) is not None and told != f.said]
        for fact in new:
            state.ledger.remove(fact.id)
            state.ledger.add(fact)
        if new:
            self._rewind(state, new[0])

    def _put(self, state: NitrateState, event: TankEvent, fact: Fact | None) -> None:
        if event.id:
            self.void(state, event.id)
        if fact is not None:
            self._add(state, fact)

    def void(self, state: NitrateState, event_id: str) -> None:
        """That entry never was; unknown ids are ignored, as most entries do not bear on nitrate."""
        gone = state.ledger.remove(event_id) if event_id else None
        if gone is not None:
            self._rewind(state, gone)

    def on_calibration(self, state: NitrateState, at_s: float, event_id: str = "") -> None:
        """The nitrate electrode was calibrated."""
        if event_id:
            self.void(state, event_id)
        self._add(state, Fact(at_s=at_s, kind="calibration", id=event_id))

    def on_growth(self, state: NitrateState, at_s: float, share: float) -> None:
        """The plants were seen to grow at `share` of their own pace before, under like light."""
        self._add(state, Fact(at_s=at_s, kind="growth", id=f"growth:{int(at_s)}", amount=share))

    def on_electrode(self, state: NitrateState, at_s: float, mg_l: float) -> None:
        """A good electrode reading, mg/L as NO3; gathered here, used as a median every six hours."""
        start_s = at_s // ELECTRODE_STEP_S * ELECTRODE_STEP_S
        if state.electrode_from_s is not None and start_s > state.electrode_from_s:
            self._close_electrode(state)
        if state.electrode_from_s is None:
            state.electrode_from_s = start_s
        if start_s == state.electrode_from_s:  # what comes later than that belongs to a stretch already closed
            hour = str(int(at_s // 3600))
            total, n = state.electrode_sums.get(hour, (0.0, 0))
            state.electrode_sums[hour] = (total + mg_l, n + 1)

    def _close_electrode(self, state: NitrateState) -> None:
        if state.electrode_from_s is None or not state.electrode_sums:
            return
        value = median(total / n for total, n in state.electrode_sums.values())
        end_s = state.electrode_from_s + ELECTRODE_STEP_S
        self._add(state, Fact(at_s=end_s, kind="electrode", id=f"electrode:{int(end_s)}", amount=value))
        state.electrode_from_s = None
        state.electrode_sums = {}

    def close_day(
        self, state: NitrateState, day: DayLight | None, date: str, at_s: float, water_c: float | None = None
    ) -> None:
        """Local midnight at `at_s` ends the local day `date`, whose light was `day` and whose water `water_c` °C."""
        if day is not None and day.dose_mol is not None and (day.coverage or 0.0) >= 0.75:
            light_id = f"light:{date}"
            self.void(state, light_id)
            light = Fact(at_s=at_s, kind="light", id=light_id, amount=day.dose_mol, word=date)
            light.lamp_percent, light.window, light.dirty = day.lamp_percent, day.daylight_dose_mol, day.dirty
            self._add(state, light)
        if water_c is not None:
            warmth_id = f"temperature:{date}"
            self.void(state, warmth_id)
            self._add(state, Fact(at_s=at_s, kind="temperature", id=warmth_id, amount=water_c, word=date))
        self._run(state, at_s)
        self._fold(state, at_s)

    # The filter, run and re-run

    def _add(self, state: NitrateState, fact: Fact) -> None:
        if state.folded_until_s is not None and fact.at_s <= state.folded_until_s:
            return
        state.ledger.add(fact)
        self._rewind(state, fact)

    def _rewind(self, state: NitrateState, fact: Fact) -> None:
        """Go back to the last checkpoint that the fact cannot have touched."""
        state.version += 1
        since_s = fact.at_s
        if fact.kind == "feeding":
            since_s = midnight_before(fact.at_s, self.zone) + 1e-3  # the whole day's feed changes, not the midnight
        if state.now is None or state.now.at_s < since_s:
            return
        if not state.folded_until_s and (not state.ledger.facts or fact.at_s < state.ledger.facts[0].at_s):
            state.checkpoints = []  # the first fact is gone, and with it the moment at which the filter begins
        reached_s = state.now.at_s
        while state.checkpoints and state.checkpoints[-1].at_s >= since_s:
            state.checkpoints.pop()
        state.now = state.checkpoints[-1].copy() if state.checkpoints else None
        self._run(state, reached_s)

    def _run(self, state: NitrateState, at_s: float) -> None:
        """Bring the filter to the last local midnight or fact at or before `at_s`, leaving checkpoints on the way.

        Entries and ended days alone do this, never somebody who looks: the state is what a replay makes of the journal.
        """
        if state.now is None:
            state.now = self._begun(state, at_s)
        if state.now is not None:
            self._advance(state, state.now, at_s, leave=True)

    def _begun(self, state: NitrateState, at_s: float) -> Balance | None:
        """The filter just before the first fact; None if there is none by `at_s`."""
        if not state.ledger.facts or state.ledger.facts[0].at_s > at_s:
            return None
        start_s = midnight_before(state.ledger.facts[0].at_s, self.zone) - 1.0
        return bal.begin(start_s, self._feed_rate(state, start_s))

    def _advance(self, state: NitrateState, now: Balance, at_s: float, *, leave: bool = False) -> None:
        for fact in state.ledger.later_than(now.at_s, at_s):
            if fact.kind == "feeding":  # counted by the day, through `Ledger.fed`
                continue
            self._pass(state, now, fact.at_s, leave)
            self._apply(now, fact)
        self._pass(state, now, midnight_before(at_s, self.zone), leave)

    def _pass(self, state: NitrateState, now: Balance, to_s: float, leave: bool) -> None:
        """Let time pass, a local day at a time; each midnight that is left behind may leave a checkpoint."""
        while now.at_s < to_s:
            if midnight_before(now.at_s, self.zone) == now.at_s:
                self._at_midnight(state, now)
                if leave:
                    self._leave_checkpoint(state, now)
            bal.pass_time(now, min(to_s, midnight_after(now.at_s, self.zone)), self._feed_rate(state, now.at_s))

    def _at_midnight(self, state: NitrateState, now: Balance) -> None:
        now.recent = self._recent_feed(state, now)
        ended_s = habit_ended_s(state.ledger, now)
        if ended_s is not None:
            end_habit(now, pace_since(state.ledger, ended_s, now.at_s))
        sure = forecast.chance_behind(now)
        if sure < BEHIND_OVER or now.n_tests < LEAST_TESTS:
            now.behind_since_s = None
        elif sure >= BEHIND_SURE and now.behind_since_s is None:
            now.behind_since_s = now.at_s
        note_quiet(now, LEAST_TESTS)

    def _leave_checkpoint(self, state: NitrateState, now: Balance) -> None:
        today = int(now.at_s // DAY_S)
        # A run that begins at this midnight's checkpoint passes it again.
        earlier = [c for c in state.checkpoints if c.at_s < now.at_s]
        state.checkpoints = [c for c in earlier if _worth_keeping(int(c.at_s // DAY_S), today)]
        state.checkpoints.append(now.copy())

    def _feed_rate(self, state: NitrateState, at_s: float) -> float:
        """The pace of feeding at `at_s`: the local day's feed over that day's length, mg/L per 24 h."""
        length_s = midnight_after(at_s, self.zone) - midnight_before(at_s, self.zone)
        return self._feed_on(state, local_date(at_s, self.zone)) * DAY_S / length_s

    def _recent_feed(self, state: NitrateState, now: Balance) -> float:
        """The mean feed of the last seven local days, or of those since feed was first told; mg/L per day."""
        today = dt.date.fromisoformat(local_date(now.at_s, self.zone))
        days = [(today - dt.timedelta(days=n)).isoformat() for n in range(1, 8)]
        if not self._assumed:
            days = [day for day in days if day >= min(state.ledger.fed, default="")]
        if not days or not state.ledger.facts:
            return now.recent
        return sum(self._feed_on(state, day) for day in days) / len(days)

    def _feed_on(self, state: NitrateState, date: str) -> float:
        """The feed of a local day, as nitrate at a share of one, mg/L."""
        return nitrogen.nitrate_mg_l(state.ledger.fed.get(date, self._assumed), self.tank.litres)

    def _apply(self, now: Balance, fact: Fact) -> None:
        match fact.kind:
            case "test":
                assert fact.said is not None
                senseless = SENSELESS_DENSITY if fact.said.is_point else SENSELESS_PAD
                limit = self.tank.limits.nitrate
                if readings.read_level(now, fact.said.likelihood(), senseless, fact.said.off, limit):
                    now.n_tests += 1
                    now.tests_since_quiet += 1
                    now.last_test_at_s = fact.at_s
                    now.renewed = 0.0
            case "change":
                source, sd = (fact.source, 0.0) if fact.source is not None else SOURCE_UNKNOWN
                bal.mix_water(now, fact.amount, source, sd, FRACTION_ERROR * fact.amount)
            case "inflow":
                source, sd = (fact.source, 0.0) if fact.source is not None else SOURCE_UNKNOWN
                bal.add_level(now, fact.amount * source, fact.amount * sd)
            case "harvest" | "stocking" | "lamp" | "light" | "temperature" | "growth":
                readings.hear(now, fact, self.latitude)
            case "electrode":
                # A stretch that began before a calibration is off by what that took away.
                if now.calibrated_at_s is None or fact.at_s - now.calibrated_at_s >= ELECTRODE_STEP_S:
                    readings.read_electrode(now, fact.amount)
            case "calibration":
                readings.calibrate(now)

    def _fold(self, state: NitrateState, at_s: float) -> None:
        """Drop the facts that are older than anybody corrects; their sum is in the oldest checkpoint kept."""
        old = [c for c in state.checkpoints if c.at_s <= at_s - KEEP_DAYS * DAY_S]
        if not old or (state.folded_until_s is not None and old[-1].at_s <= state.folded_until_s):
            return
        base = old[-1]
        state.checkpoints = [c for c in state.checkpoints if c.at_s >= base.at_s]
        state.folded_until_s = base.at_s
        state.ledger.forget_until(base.at_s, local_date(base.at_s, self.zone))

    # What is known

    def report(self, state: NitrateState, at_s: float) -> NitrateReport:
        """What is known at `at_s`, to the hour."""
        hour_s = at_s // 3600.0 * 3600.0
        memo = self._memo
        if memo is not None and memo[0] is state and memo[1] == state.version and memo[2] == hour_s:
            return memo[3]
        now = self._at(state, at_s, hour_s)
        made = self._report(state, now) if now is not None else self._without_facts(hour_s)
        self._memo = (state, state.version, hour_s, made)
        return made

    def _at(self, state: NitrateState, at_s: float, hour_s: float) -> Balance | None:
        """A copy of the filter at the full hour, or at the last fact if that is later."""
        held = [*state.checkpoints, *([state.now] if state.now is not None else [])]
        seen = self._seen
        if seen is not None and seen[0] is state and seen[1] == state.version:
            held.append(seen[2])
        # After a clock that ran ahead, the filter stands in days to come.
        reached = max((b for b in reversed(held) if b.at_s <= at_s), key=lambda b: b.at_s, default=None)
        now = reached.copy() if reached is not None else self._begun(state, at_s)
        if now is None:
            return None
        self._advance(state, now, at_s)
        self._seen = (state, state.version, now.copy())
        if hour_s > now.at_s:
            bal.pass_time(now, hour_s, self._feed_rate(state, now.at_s))
        return now

    def _without_facts(self, at_s: float) -> NitrateReport:
        feed = nitrogen.nitrate_mg_l(self._assumed, self.tank.litres)
        return NitrateReport(at_s=at_s, supply_rate=_supply(bal.begin(at_s, feed)))

    def _report(self, state: NitrateState, now: Balance) -> NitrateReport:
        supply = _supply(now)
        if not now.last_test_at_s:
            return NitrateReport(at_s=now.at_s, supply_rate=supply)
        level, rate = forecast.level_estimate(bal.level_parts(now)), forecast.estimate(bal.rate_parts(now))
        causes, sentence = split(
            state.ledger,
            lambda day: self._feed_on(state, day),
            self.zone,
            now,
            self.tank.litres,
            state.named,
            self._units,
        )
        behind_s = now.behind_since_s
        limit = self.tank.limits.nitrate
        coming = forecast.course(now)
        chances = forecast.chances(coming, limit)
        return NitrateReport(
            at_s=now.at_s,
            nitrate=level,
            net_rate=rate,
            supply_rate=supply,
            uptake_rate=forecast.flow_estimate(bal.uptake_parts(now)) if supply else None,
            kept_up=forecast.share_kept_up(now, now.recent) if now.fed_days >= 7.0 else None,
            days_to_limit=forecast.told_days(coming, limit, level, rate),
            chances=chances,
            chance_later=forecast.chance_by(coming, limit, RISING_LATER[0], chances[-1]),
            chance_unsettled=1.0 - now.modes[0].weight / sum(m.weight for m in now.modes),
            behind_days=(now.at_s - behind_s) / DAY_S if behind_s is not None else 0.0,
            chance_behind=forecast.chance_behind(now),
            causes=causes,
            causes_sentence=sentence,
            n_tests=now.n_tests,
            last_test_at_s=now.last_test_at_s,
            renewed=now.renewed,
            surprised=readings.is_surprised(now, chances[-1]),
            by_electrode=self._by_electrode(state, now),
        )

    def _by_electrode(self, state: NitrateState, now: Balance) -> bool:
        """Whether an electrode alone has had the say for more than a day."""
        tested_s = now.last_test_at_s or now.at_s
        if now.at_s - tested_s <= DAY_S:
            return False
        return any(f.kind == "electrode" for f in state.ledger.later_than(tested_s, now.at_s))

    def name_cause(self, state: NitrateState, at_s: float) -> None:
        """Remember which cause is told first, so that it stays the first while the evidence is about the same."""
        causes = self.report(state, at_s).causes
        state.named = causes[0].cause if causes else ""

    def what_if(
        self,
        state: NitrateState,
        at_s: float,
        feed_grams_per_day: float | None = None,
        light_factor: float | None = None,
        water_change_fraction: float | None = None,
    ) -> list[tuple[int, Estimate]]:
        """Nitrate on each of the coming 28 days if feed, light or water were changed now; empty before any test.

        Without a change it is the future as it is, with which the others may be compared (`trial`).
        """
        now = self._at(state, at_s, at_s // 3600.0 * 3600.0)
        if now is None or not now.last_test_at_s:
            return []
        feed = None
        if feed_grams_per_day is not None:
            grams = nitrogen.feed_nitrogen_g(feed_grams_per_day, self.tank.feed.protein_percent)
            feed = nitrogen.nitrate_mg_l(grams, self.tank.litres)
        source = self.tank.source_water.get("nitrate", SOURCE_UNKNOWN[0])
        factor = 1.0 if light_factor is None else light_factor
        change = trial.Change(feed, factor, water_change_fraction or 0.0, source)
        return trial.tried(now, change, forecast.HORIZON_DAYS)

    def expected(self, state: NitrateState, at_s: float, days: float) -> Estimate | None:
        """Nitrate so many days from now if nothing is changed; None before any test."""
        now = self._at(state, at_s, at_s // 3600.0 * 3600.0)
        return trial.on_day(now, days) if now is not None and now.last_test_at_s else None

    def light_sentence(self, state: NitrateState, at_s: float) -> str:
        """What less light than usual means for nitrate; empty where it is not less, or too few tests tell."""
        now, report = self._at(state, at_s, at_s // 3600.0 * 3600.0), self.report(state, at_s)
        if now is None or report.nitrate is None or report.n_tests < LEAST_TESTS:
            return ""
        less, later = light_meaning.less_percent(now), trial.on_day(now, forecast.HORIZON_DAYS)
        return light_meaning.sentence(less, report.nitrate, later, self._units) if less is not None else ""

    def findings(self, state: NitrateState, at_s: float) -> list[Finding]:
        """The three alarms' words."""
        report = self.report(state, at_s)
        told = self._evidence(report)
        says = (
            ("nitrate_high", self._high(report)),
            ("nitrate_rising", rising(report)),
            ("uptake_behind", self._behind(report)),
        )
        return [Finding(alarm=alarm, tank=self.tank.id, says=word, evidence=told) for alarm, word in says]

    def _high(self, report: NitrateReport) -> Says:
        if not report.chances:
            return "hold"
        above = report.chances[0]
        if above >= HIGH_RAISE and not (report.silent and not report.by_electrode):
            return "raise"
        return "clear" if above <= HIGH_CLEAR else "hold"

    def _behind(self, report: NitrateReport) -> Says:
        if report.n_tests < LEAST_TESTS:
            return "hold"
        if report.behind_days >= BEHIND_DAYS and report.chance_behind >= BEHIND_SURE:
            return "raise"
        return "clear" if report.behind_days == 0.0 else "hold"

    def _evidence(self, report: NitrateReport) -> NitrateEvidence:
        """The numbers that the alarm's words are made from; what is not known is None."""
        return NitrateEvidence(
            limit_mg_l=self.tank.limits.nitrate,
            tests=report.n_tests,
            nitrate_mg_l=report.nitrate,
            net_rate_mg_l_day=report.net_rate,
            supply_mg_l_day=report.supply_rate,
            kept_up_share=report.kept_up,
            chance_now=report.chances[0] if report.chances else None,
            chance_28_days=report.chances[-1] if report.chances else None,
            days_to_limit=report.days_to_limit,
            cause=report.causes_sentence,
        )


def _worth_keeping(day: int, today: int) -> bool:
    """Checkpoints thin out with age: daily, then weekly, then every fourth week."""
    age = today - day
    return age <= 10 or (age <= 100 and day % 7 == 0) or day % 28 == 0


def _supply(now: Balance) -> Estimate | None:
    """Supply at the last week's feed; None where no feed is known.  It cannot be negative."""
    if now.recent <= 0.0:
        return None
    return forecast.flow_estimate(bal.parts_along(now, (0.0, 0.0, now.recent, *bal.NOTHING[2:])))
