"""A tank's nitrate balance as a filter: what time, water, feed and readings do to what is believed.

Owns the model.  State: concentration C (mg/L as NO3), the plants' uptake u (mg/L per day), the share φ of the feed's
nitrogen that becomes nitrate, the electrode's bias b (mg/L), how fast uptake is being lost, a (mg/L per day²), the
amount k, in a kit's own doubt d, by which this tank's strips read high for good: they show C (1 + d k), and how far
uptake follows light and warmth, β and w: with x the share by which light is above the usual and T the degrees by which
the water is warmer, plants take up β x + w T / 10 of the usual more, w being the logarithm of their Q10.
With S the feed as mg/L per day at a share of one,

    dC/dt = φ S − u,      net rate r = φ S − u,

so a change of feed moves the expected rate by the change in supply, and supply, uptake and rate keep their
correlations.  u follows the usual supply at its own pace: r is an Ornstein-Uhlenbeck process about zero.  Tanks come
in three kinds that differ in that pace, so three such models run side by side (interacting multiple models, Blom &
Bar-Shalom 1988, IEEE Trans. Automat. Contr. 33:780-783), and readings shift the odds between them:

  settled  plants take up what the feed supplies; the rate wanders little and soon returns;
  moving   the rate is anything of the size of the supply, and stays so for months;
  losing   plants fade: uptake is lost at a steady pace, as when a lamp dims or shade grows.

Knows no events, no ledger, no alarms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rushlight.localtime import DAY_S
from rushlight.science.chemistry import nitrogen
from rushlight.science.inference.gaussian import Part, mixture_moments, moments_above_zero
from rushlight.science.inference.kalman import Belief, merge, predict, regress
from rushlight.science.plants.response import LIGHT_FELT, WARMTH_FELT
from rushlight.tank.nitrate.electrode import UNKNOWN, Wander
from rushlight.tank.nitrate.kinds import BACK_HOME, FADE, FIRST_ODDS, PACES, SILENT_FROM_DAYS, Pace, scale, step, turns
from rushlight.tank.nitrate.light_seen import LightSeen
from rushlight.tank.nitrate.warmth_seen import WarmthSeen

LEVEL, UPTAKE, SHARE, BIAS, LOSS, KIT, LIGHT, WARMTH = range(8)
SIZE = 8
NOTHING = (0.0,) * (SIZE - 1)
"""What follows the level in a direction that asks for nothing else."""


FIRST_LEVEL = (10.0, 100.0)
"""Mean and standard deviation of nitrate before any test, mg/L; cut at zero.  Wide enough to say nothing
(own choice)."""
HALF_FED, MOST_PULL = 8.0, 0.04
"""Plants take more where there is more (Michaelis-Menten): the level at which uptake is half of the most, mg/L, and how
fast, as a share per day, a level comes home by that at most.  No source for tanks; chosen on simulated ones."""
HOME_LEAST_DAYS, HOME_DAYS = 14.0, 200.0
"""The level at which plants take up what they are believed to is a mean over so long, from two weeks in a
young record on, as tests told it (no source)."""
HOME_KNOWN_DAYS = 60.0
"""After so many days of tests home counts for half of what it says (own choice)."""
UPTAKE_SD = 0.7
"""However long nobody looks, uptake is known so well, standard deviation as a share of supply: it is never less than
nothing, and seldom more than there is to take up (own choice)."""
MOST_UNTOLD = 1.5
"""A feed of which nobody told makes nitrate rise by so much at most, in sizes of net rates (own choice)."""
EXCHANGE_MEMORY_DAYS = 120.0
USUAL_MEMORY_DAYS = 180.0
"""How slowly plants grow into another feed, or into what water changes leave them (no source; tests tell sooner)."""
ASSUMED_DAYS = 30.0
"""A feed that the configuration assumes counts as known for so long: what is written down soon outweighs it
(own choice)."""
ELECTRODE_DRIFT = 0.04
"""Electrode bias per √day as a share of the level: 1 mV is 4 % (Nernst at 25 °C), and cheap immersed electrodes
drift at least that much in a day (common practice, no source)."""
KIT_MEMORY_DAYS = 365.0
"""How long a kit's being off lasts, as packs are used up (no source)."""
ELECTRODE_FIRST_MG_L = 5.0
"""The same before any test has told the level (own choice)."""


@dataclass(frozen=True, slots=True)
class Homing:
    """Plants that take more where there is more: they bring the level home, and home is known by this tank's strips."""

    pull: float
    """Per day."""
    home: float
    """mg/L, as the strips show it."""
    off: float
    """The doubt d of the strips: home is truly at home (1 − d k)."""


NOWHERE = Homing(0.0, 0.0, 0.0)


@dataclass(slots=True)
class Mode:
    """One of the models: the odds that it is the true one, and what it believes."""

    weight: float
    belief: Belief


@dataclass(slots=True)
class Balance:
    """The filter at one moment."""

    at_s: float
    modes: list[Mode]
    usual: float
    """The feed that the plants have had time to follow, as mg/L per day at a share of one."""
    recent: float
    """The feed of the last seven days, likewise: whole weeks, as on some days of the week many keepers feed less."""
    home: float | None = None
    """The level about which the tank has been, mg/L as its strips show it; None before any test."""
    home_days: float = 0.0
    """Over how many days of tests."""
    off: float = 0.0
    """The doubt d of the strips by which home is known."""
    fed_days: float = 0.0
    """How long feed has been known."""
    n_tests: int = 0
    last_test_at_s: float | None = None
    surprise: float = 0.0
    """How far the last test lay above what was expected, in standard deviations of both together."""
    calibrated_at_s: float | None = None
    wander: Wander = UNKNOWN
    light: LightSeen | None = None
    light_at_s: float = 0.0
    """When that was so."""
    warmth: WarmthSeen | None = None
    exchanged: float = 0.0
    """Fractions of water changed, summed with a memory of `EXCHANGE_MEMORY_DAYS`."""
    watched_days: float = 0.0
    """The days over which they were summed, with the same memory."""
    carried: float = 0.0
    """What they carried out, mg/L, summed with a memory of `USUAL_MEMORY_DAYS`."""
    carried_days: float = 0.0
    change_source: float = 0.0
    """Nitrate of the water that the last change brought in, mg/L."""
    renewed: float = 0.0
    """The share of the water that no test has seen yet."""
    calm_from_s: float | None = None
    """Since when it has been quiet without a break, if it is."""
    quiet_at_s: float | None = None
    """When the tank was last quiet: settled, and its level neither rising nor falling to speak of."""
    quiet_rate: float = 0.0
    quiet_rate_sd: float = 0.0
    tests_since_quiet: int = 0
    behind_since_s: float | None = None
    """Since when the plants have not kept up, with good confidence."""

    @property
    def pull(self) -> float:
        """By how much uptake rises with the level, mg/L per day for each mg/L above home: Michaelis-Menten's slope."""
        if self.home is None:
            return 0.0
        home = max(1.0, self.home)
        slope = min(MOST_PULL, scale(self.usual) * HALF_FED / (home * (home + HALF_FED)))
        return slope * self.home_days / (self.home_days + HOME_KNOWN_DAYS)

    @property
    def homing(self) -> Homing:
        """Where the level is drawn to, how fast, and how well that is known."""
        return Homing(self.pull, self.home or 0.0, self.off)

    @property
    def driven(self) -> tuple[float, float]:
        """What light and warmth above the usual add to uptake, mg/L per day for each β and w; below nought for less."""
        size, lit = scale(self.usual), 0.0
        if self.light is not None:
            lit = self.light.ahead(max(0.0, (self.at_s - self.light_at_s) / DAY_S))
        return size * lit, size * self.warmer_c / 10.0

    @property
    def warmer_c(self) -> float:
        """By how many degrees the water is warmer than usual; 0 where nobody measures it."""
        return 0.0 if self.warmth is None else self.warmth.warmer_c

    @property
    def exchange(self) -> float:
        """The share of the water that this keeper changes per day, as a habit; a new tank has none yet."""
        return self.exchanged / (self.watched_days + 7.0)

    @property
    def export(self) -> float:
        """Nitrate that those changes carry out, mg/L per day at the present level."""
        level = sum(m.weight * m.belief.mean[LEVEL] for m in self.modes)
        return self.exchange * max(0.0, level - self.change_source)

    @property
    def left(self) -> float:
        """The net rate that balanced plants leave, mg/L per day: as much as the changes of the last months took out.

        Neither a level that rises nor changes that stop tell the plants to take up more or less.
        """
        return self.carried / (self.carried_days + 7.0)

    def copy(self) -> Balance:
        """An independent copy."""
        return replace(self, modes=[Mode(m.weight, m.belief.copy()) for m in self.modes])


def begin(at_s: float, feed: float) -> Balance:
    """Before any test: a wide level, and plants that follow the feed more or less."""
    modes = []
    for odds, pace in zip(FIRST_ODDS, PACES, strict=True):
        share, share_var = nitrogen.SHARE_MEAN, nitrogen.SHARE_SD**2
        spread = (pace.spread * scale(feed)) ** 2
        cov = [[0.0] * SIZE for _ in range(SIZE)]
        cov[LEVEL][LEVEL] = FIRST_LEVEL[1] ** 2
        cov[UPTAKE][UPTAKE] = feed * feed * share_var + spread
        cov[UPTAKE][SHARE] = cov[SHARE][UPTAKE] = feed * share_var
        cov[SHARE][SHARE] = share_var
        cov[BIAS][BIAS] = ELECTRODE_FIRST_MG_L**2
        cov[LOSS][LOSS] = (FADE[1] * scale(feed)) ** 2
        cov[KIT][KIT] = 1.0
        cov[LIGHT][LIGHT], cov[WARMTH][WARMTH] = LIGHT_FELT[1] ** 2, WARMTH_FELT[1] ** 2
        mean = [FIRST_LEVEL[0], share * feed, share, 0.0, FADE[0] * scale(feed), 0.0, LIGHT_FELT[0], WARMTH_FELT[0]]
        modes.append(Mode(odds, Belief(mean, cov)))
    return Balance(at_s, modes, feed, feed, ASSUMED_DAYS if feed > 0.0 else 0.0)


def drift(
    belief: Belief,
    pace: Pace,
    days: float,
    feed: float,
    usual: float,
    left_over: float = 0.0,
    homing: Homing = NOWHERE,
    driven: tuple[float, float] = (0.0, 0.0),
) -> Belief:
    """What a model believes after `days` at the given feed, if it is and stays the true one.

    `left_over` (mg/L per day), which water changes carry out, is the net rate about which a balanced tank wanders.
    `homing` brings the level back home, as an exchange with water of that level would; uptake in the state is that at
    home in the usual light and warmth, to which these add `driven` for each β and w, mg/L per day.
    Only fading plants say anything about the pace of fading; elsewhere it stays what it was at first.
    """
    s = step(pace, days, feed, usual, left_over)
    stays = math.exp(-pace.draws * homing.pull * days)
    half = math.sqrt(stays)
    transition = [[stays, *(half * x for x in s.level_row[1:])], list(s.uptake_row)]
    transition += [[0.0] * SIZE for _ in range(SIZE - 2)]
    transition[LEVEL][KIT] = -(1.0 - stays) * homing.home * homing.off
    transition[LEVEL][LIGHT], transition[LEVEL][WARMTH] = (-half * more * days for more in driven)
    for lasting_one in (SHARE, BIAS, LIGHT, WARMTH):
        transition[lasting_one][lasting_one] = 1.0
    left, lasting = nitrogen.decay(days, pace.memory_days)
    shift = [0.0] * SIZE
    shift[LEVEL] = half * left_over * (days - lasting) + (1.0 - stays) * homing.home
    shift[UPTAKE] = -left_over * (1.0 - left)
    noise = [[0.0] * SIZE for _ in range(SIZE)]
    noise[LEVEL][LEVEL], noise[UPTAKE][UPTAKE] = s.level_noise * stays, s.uptake_noise
    noise[LEVEL][UPTAKE] = noise[UPTAKE][LEVEL] = s.joint_noise
    noise[BIAS][BIAS] = (ELECTRODE_DRIFT * max(5.0, belief.mean[LEVEL])) ** 2 * days
    transition[KIT][KIT] = kept = math.exp(-days / KIT_MEMORY_DAYS)
    noise[KIT][KIT] = 1.0 - kept * kept
    if pace.fades:
        transition[LOSS][LOSS] = 1.0
        noise[LOSS][LOSS] = (0.0002 * scale(usual)) ** 2 * days
    else:
        shift[LOSS] = FADE[0] * scale(usual)
        noise[LOSS][LOSS] = (FADE[1] * scale(usual)) ** 2
    return predict(belief, transition, shift, noise)


def pass_time(balance: Balance, to_s: float, feed: float) -> None:
    """Let time pass at a constant feed."""
    days = (to_s - balance.at_s) / DAY_S
    if balance.usual <= 0.0 < feed:
        _learn_feed(balance, feed)
    _switch(balance, days)
    left_over = balance.left
    homing, driven = balance.homing, balance.driven
    for mode, pace in zip(balance.modes, PACES, strict=True):
        moved = drift(mode.belief, pace, days, feed, balance.usual, left_over, homing, driven)
        mode.belief = possible(moved, scale(balance.usual), fed=balance.usual > 0.0)
    _remember_home(balance, to_s, days)
    fading = math.exp(-days / EXCHANGE_MEMORY_DAYS)
    balance.exchanged *= fading
    balance.watched_days = balance.watched_days * fading + days
    fading = math.exp(-days / USUAL_MEMORY_DAYS)
    balance.carried *= fading
    balance.carried_days = balance.carried_days * fading + days
    if feed > 0.0 or balance.fed_days > 0.0:
        known_days = max(7.0, min(USUAL_MEMORY_DAYS, balance.fed_days))
        balance.usual += (feed - balance.usual) * (1.0 - math.exp(-days / known_days))
        balance.fed_days += days
    balance.at_s = to_s


def _remember_home(balance: Balance, at_s: float, days: float) -> None:
    """The level about which the tank has been, by its tests: what is believed in their silence teaches nothing."""
    if balance.last_test_at_s is None or silent_days(balance, at_s) > SILENT_FROM_DAYS:
        return
    shown = ((m.weight, m.belief.along(shown_by(balance.off, m.belief.mean[LEVEL]))[0]) for m in balance.modes)
    level = sum(w * x for w, x in shown) / sum(m.weight for m in balance.modes)
    if balance.home is None:
        balance.home = level
    balance.home_days += days
    known_days = max(HOME_LEAST_DAYS, min(HOME_DAYS, balance.home_days))
    balance.home += (level - balance.home) * -math.expm1(-days / known_days)


def _learn_feed(balance: Balance, feed: float) -> None:
    """The first feed that anybody told: the fish ate before too, so the net rate stays and uptake is what is new."""
    for mode in balance.modes:
        unit = [[float(i == j) for j in range(SIZE)] for i in range(SIZE)]
        unit[UPTAKE][SHARE] = feed
        mode.belief = predict(mode.belief, unit, [0.0] * SIZE, [[0.0] * SIZE for _ in range(SIZE)])
    balance.usual = balance.recent = feed


def _switch(balance: Balance, days: float) -> None:
    """The mixing step of the interacting multiple models."""
    old = balance.modes
    silent = silent_days(balance, balance.at_s) > SILENT_FROM_DAYS
    moves = turns(days, silent=silent)
    new = []
    for j in range(len(old)):
        shares = [mode.weight * moves[i][j] for i, mode in enumerate(old)]
        total = sum(shares)
        come = [m.belief for m in old]
        if silent and j == 0:
            come[1:] = [_back_home(old[0].belief)] * 2
        new.append(Mode(total, merge([(w / total, belief) for w, belief in zip(shares, come, strict=True)])))
    balance.modes = new


def _back_home(settled: Belief) -> Belief:
    """What is believed of a tank that went wrong and recovered while nobody tested it: about what a settled one is.

    One bell over settled tanks and all that became of the others would stand for neither, and put its shoulder above a
    limit that hardly any of them is near.
    """
    belief = settled.copy()
    belief.cov[LEVEL][LEVEL] += (BACK_HOME * max(0.0, belief.mean[LEVEL])) ** 2
    return belief


def silent_days(balance: Balance, at_s: float) -> float:
    """Days since the last test, 0 before any."""
    return 0.0 if balance.last_test_at_s is None else max(0.0, (at_s - balance.last_test_at_s) / DAY_S)


def possible(belief: Belief, size: float, *, fed: bool) -> Belief:
    """What can be of a belief: plants that have lost everything lose no more, and a level is not negative.

    Without this a year of silence ends in levels that no feed could make.  Where no feed is known, uptake is what
    plants take less what the unknown feed supplies: below nothing as soon as nitrate rises.
    """
    least = 0.0 if fed else -MOST_UNTOLD * size
    if belief.mean[UPTAKE] < least:
        belief.mean[UPTAKE] = least
        belief.mean[LOSS] = min(0.0, belief.mean[LOSS])
    sd = belief.sd(UPTAKE)
    if sd > UPTAKE_SD * size:
        narrower = UPTAKE_SD * size / sd
        for i in range(SIZE):
            belief.cov[UPTAKE][i] *= narrower
            belief.cov[i][UPTAKE] *= narrower
    for answer in (LIGHT, WARMTH):
        belief = not_negative(belief, answer)
    return not_negative(belief)


def not_negative(belief: Belief, i: int = LEVEL) -> Belief:
    """Once the mean falls below zero, keep the part above: plants cannot take up what is not there.

    Nor do they take up less for more light or warmth.
    """
    mean = belief.mean[i]
    if mean >= 0.0:
        return belief
    _, mean, variance = moments_above_zero(mean, belief.sd(i))
    return regress(belief, i, mean, variance)


def mix_water(balance: Balance, fraction: float, source: float, source_sd: float, fraction_sd: float) -> None:
    """Replace a fraction of the water; neither the fraction nor the source need be exactly known."""
    level = sum(m.weight * m.belief.mean[LEVEL] for m in balance.modes)
    balance.exchanged += fraction
    balance.renewed += (1.0 - balance.renewed) * fraction
    balance.carried += fraction * max(0.0, level - source)
    balance.change_source = source
    for mode in balance.modes:
        b = mode.belief
        gap = b.mean[LEVEL] - source
        b.mean[LEVEL] = nitrogen.after_water_change(b.mean[LEVEL], fraction, source)
        for i in range(SIZE):
            b.cov[LEVEL][i] *= 1.0 - fraction
            b.cov[i][LEVEL] *= 1.0 - fraction
        b.cov[LEVEL][LEVEL] += (fraction * source_sd) ** 2 + (fraction_sd * gap) ** 2


def add_level(balance: Balance, amount: float, sd: float) -> None:
    """Nitrate added at once, mg/L."""
    for mode in balance.modes:
        mode.belief.mean[LEVEL] += amount
        mode.belief.cov[LEVEL][LEVEL] += sd * sd


def doubt_uptake(balance: Balance, share: float) -> None:
    """Something happened that may have moved uptake by so large a share of supply."""
    for mode in balance.modes:
        mode.belief.cov[UPTAKE][UPTAKE] += (share * scale(balance.usual)) ** 2


def unsettle(balance: Balance, share: float) -> None:
    """Something happened after which so large a share of settled tanks are settled no more."""
    moved = share * balance.modes[0].weight
    total = balance.modes[1].weight + moved
    both = [(balance.modes[1].weight / total, balance.modes[1].belief), (moved / total, balance.modes[0].belief)]
    balance.modes[0].weight -= moved
    balance.modes[1] = Mode(total, merge(both))


def shown_by(off: float, level: float) -> list[float]:
    """What a kit shows of a state near `level`, C (1 + d k) made linear, as a direction."""
    row = [0.0] * SIZE
    row[LEVEL], row[KIT] = 1.0, max(0.0, level) * off
    return row


def renormalise(balance: Balance) -> None:
    """Let the models' odds sum to one again."""
    total = sum(m.weight for m in balance.modes)
    for mode in balance.modes:
        mode.weight = max(mode.weight / total, 1e-6)


def parts_along(balance: Balance, direction: tuple[float, ...]) -> list[Part]:
    """The distribution of a linear combination of the state, uptake as it is at this level, as a normal mixture."""
    total = sum(m.weight for m in balance.modes)
    homing, (lit, warmed) = balance.homing, balance.driven
    out = []
    for mode, pace in zip(balance.modes, PACES, strict=True):
        lean = pace.draws * homing.pull * direction[UPTAKE]
        row = list(direction)
        row[LEVEL] += lean
        row[KIT] += lean * homing.home * homing.off
        row[LIGHT] += direction[UPTAKE] * lit
        row[WARMTH] += direction[UPTAKE] * warmed
        mean, variance = mode.belief.along(row)
        out.append((mode.weight / total, mean - lean * homing.home, math.sqrt(variance) or 1e-9))
    return out


def known(balance: Balance, component: int) -> tuple[float, float]:
    """Mean and standard deviation of one number of the state."""
    return mixture_moments([(m.weight, m.belief.mean[component], m.belief.sd(component)) for m in balance.modes])


def level_parts(balance: Balance) -> list[Part]:
    """The distribution of the concentration, to be cut at zero."""
    return parts_along(balance, (1.0, *NOTHING))


def uptake_parts(balance: Balance) -> list[Part]:
    """The distribution of what plants take up."""
    return parts_along(balance, (0.0, 1.0, *NOTHING[1:]))


def rate_parts(balance: Balance) -> list[Part]:
    """The distribution of the net rate at the last week's feed."""
    return parts_along(balance, (0.0, -1.0, balance.recent, *NOTHING[2:]))
