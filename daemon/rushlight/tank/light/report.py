"""What is said of a tank's light: the four findings, and the report for page, e-mail and status.

Owns the words and the evidence.  Decides nothing: the state already holds every verdict.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from rushlight.alarms.evidence import LampLoss, LampOff, LightNeeded
from rushlight.alarms.finding import Finding, Says
from rushlight.effects import Estimate
from rushlight.localtime import DAY_S, local_date, local_time, told_date
from rushlight.science.optics.sun import extraterrestrial_mj_m2
from rushlight.settings import Site, Tank
from rushlight.tank.day import DayLight
from rushlight.tank.light import daylight
from rushlight.tank.light.lamp import LampWatch
from rushlight.tank.light.state import LightState

WELL_COVERED = 0.8  # own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class LightReport:
    """A tank's light at one moment.  Doses are mol m⁻²; None is 'not known'."""

    dose_today_mol: float | None = None
    coverage_today: float | None = None
    lamp_today_mol: float | None = None
    daylight_today_mol: float | None = None
    since_anchor_mol: float = 0.0
    anchor_date: str = ""
    week_mol: float | None = None
    """Mean of the last seven days' doses, well-covered days only."""
    week_before_mol: float | None = None
    week_sentence: str = ""
    lamp_percent: Estimate | None = None
    what_dimmed: str = ""
    """'', 'lamp', 'probe', 'window' or 'unknown'."""
    dimmed_sentence: str = ""
    switching_sentence: str = ""
    need_sentence: str = ""
    refusals: tuple[str, ...] = ()
    """What can't be judged, and why, a sentence each."""


# ---- findings


def findings(tank: str, zone: ZoneInfo, lamp: LampWatch | None, state: LightState, at_s: float) -> list[Finding]:
    """The word on `lamp_dimming`, `light_probe_fouled`, `lamp_off` and `light_low`."""
    need = state.need
    low: Says = "hold" if need.low is None else "raise" if need.low else "clear"
    out = [Finding(alarm="light_low", tank=tank, says=low, evidence=_need_evidence(state))]
    if lamp is None:
        return out
    dimmed, fouled = state.lamp.dimming, state.lamp.dimming and state.fouled
    told = _dimming_evidence(zone, lamp, state, at_s) if dimmed else LampLoss()
    by_lamp = dimmed and not fouled and not state.undecided
    out.append(Finding(alarm="lamp_dimming", tank=tank, says=_says(by_lamp), evidence=told))
    out.append(Finding(alarm="light_probe_fouled", tank=tank, says=_says(fouled), evidence=told))
    says: Says = "hold" if state.trouble is None else _says(state.trouble != "")
    out.append(Finding(alarm="lamp_off", tank=tank, says=says, evidence=_off_evidence(state)))
    return out


def _says(standing: bool) -> Says:
    return "raise" if standing else "clear"


def _need_evidence(state: LightState) -> LightNeeded:
    if state.need.low is not True:
        return LightNeeded()
    need = state.need
    return LightNeeded(dose_mol_m2_d=need.dose_mol, need_mol_m2_d=need.need_mol, sentence=need.sentence)


def _off_evidence(state: LightState) -> LampOff:
    if not state.trouble:
        return LampOff()
    late = "did not come on" if state.trouble == "not_on" else "did not go off"
    return LampOff(what=state.trouble, light_now=state.last_value, sentence=f"the lamp {late} on its schedule.")


def _dimming_evidence(zone: ZoneInfo, lamp: LampWatch, state: LightState, at_s: float) -> LampLoss:
    percent = lamp.percent(state.lamp)
    since_s = state.lamp.rising_since_s or at_s
    told = LampLoss(
        days=round((at_s - since_s) / DAY_S, 1),
        since=local_date(since_s, zone),
        anchor=local_date(state.lamp.since_s or at_s, zone),
        daylight_share=state.share,
        daylight_share_sd=state.share_sd if state.share is not None else None,
    )
    if percent is None:
        return told
    told = dataclasses.replace(
        told,
        lamp_percent=round(percent.mean, 1),
        lamp_percent_low=round(percent.low, 1),
        lamp_percent_high=round(percent.high, 1),
        loss_percent=round(100.0 - percent.mean, 1),
    )
    anchored, since = (told_date(s, at_s, zone) for s in (state.lamp.since_s or at_s, since_s))
    level = f"{percent.mean:.0f} % (90 %: {percent.low:.0f} to {percent.high:.0f}) of what it was on {anchored}"
    if state.fouled:
        return dataclasses.replace(
            told,
            sentence=f"the light probe reads {level}, lamp and daylight alike.",
            cause_sentence="The probe is dirty or shaded; the plants' light is probably unchanged.",
        )
    return dataclasses.replace(
        told,
        sentence=f"the lamp gives {level}, falling since about {since}.",
        cause_sentence=_cause(state),
        action_sentence=_action(state),
        deed=_deed(state),
    )


def _surely_lamp(state: LightState) -> bool:
    return state.cleaning == "in vain" or (state.odds is not None and state.odds < -daylight.SURE_ODDS)


def _cause(state: LightState) -> str:
    """Lamp or probe, no surer than the evidence."""
    if state.cleaning == "in vain":
        return "Wiping did not bring the light back, so it is the lamp itself."
    if _surely_lamp(state):
        return "Daylight at the probe has not fallen with it, so it is the lamp or its cover, not the probe."
    if state.odds is not None and state.odds > 0.0:
        return "Daylight seems to have fallen too, so it may be a dirty probe."
    why = "the daylight that reaches the probe can't tell which yet"
    if state.season_s is not None and state.share is None:
        why = "daylight at this window changes by itself with the season and can't tell which"
    return f"It is the lamp or a dirty probe; {why}."


def _deed(state: LightState) -> str:
    """The same as a short order."""
    if state.cleaning == "in vain":
        return "Replace the lamp, or lengthen its hours."
    return (
        "Wipe the lamp's cover, unplugged."
        if _surely_lamp(state)
        else "Wipe the light probe, then the lamp, unplugged."
    )


def _action(state: LightState) -> str:
    if state.cleaning == "in vain":
        return "Replace the lamp, or lengthen its hours until you do."
    first = "the lamp's cover" if _surely_lamp(state) else "the light probe first, then the lamp's cover"
    settles = "" if _surely_lamp(state) else ", which settles it"
    return (
        f"Wipe {first}, lamp switched off and unplugged, and record it as cleaned{settles}; if that does not bring the"
        " light back, replace the lamp."
    )


# ---- report


def build(
    tank: Tank, site: Site, zone: ZoneInfo, lamp: LampWatch | None, state: LightState, today: DayLight, at_s: float
) -> LightReport:
    """Everything in one place; `today` is the running day so far."""
    week, before = _mean(state.days[-7:]), _mean(state.days[-14:-7])
    what, sentence = _dimmed(lamp, state)
    return LightReport(
        dose_today_mol=today.dose_mol,
        coverage_today=today.coverage,
        lamp_today_mol=today.lamp_dose_mol,
        daylight_today_mol=today.daylight_dose_mol,
        since_anchor_mol=state.since_anchor_mol,
        anchor_date="" if state.lamp.since_s is None else local_date(state.lamp.since_s, zone),
        week_mol=week,
        week_before_mol=before,
        week_sentence=_week_sentence(site, state),
        lamp_percent=lamp.percent(state.lamp) if lamp else None,
        what_dimmed=what,
        dimmed_sentence=sentence,
        switching_sentence=_switching(lamp, state, at_s, zone),
        need_sentence=state.need.sentence,
        refusals=tuple(_refusals(tank, site, lamp, state, at_s)),
    )


def _mean(days: Sequence[tuple[int, float, float, float, float | None]]) -> float | None:
    good = [d[1] for d in days if d[2] >= WELL_COVERED]
    return sum(good) / len(good) if len(good) >= 4 else None


def _more_or_less(ratio: float) -> str:
    percent = round(100.0 * (ratio - 1.0))
    return "as much" if percent == 0 else f"{abs(percent)} % {'more' if percent > 0 else 'less'}"


def _week_sentence(site: Site, state: LightState) -> str:
    """This week against last, and how much of the difference the season alone would make."""
    week, before = _mean(state.days[-7:]), _mean(state.days[-14:-7])
    if week is None:
        return ""
    text = f"{week:.2g} mol/m² of light a day this week"
    if before is None or before <= 0.0:
        return text + "."
    compared = _more_or_less(week / before)
    text += f", {compared} {'as' if compared == 'as much' else 'than'} the week before"
    if site.latitude is not None:
        daylight_share = 1.0 - sum(d[3] for d in state.days[-14:-7]) / max(1e-9, sum(d[1] for d in state.days[-14:-7]))
        sun = [
            sum(extraterrestrial_mj_m2(site.latitude, dt.date.fromordinal(d[0]).timetuple().tm_yday) for d in days)
            for days in (state.days[-7:], state.days[-14:-7])
        ]
        if sun[1] > 0.0:
            season = _more_or_less(1.0 + daylight_share * (sun[0] / sun[1] - 1.0))
            text += f"; by the time of year alone it would be {'the same' if season == 'as much' else season}"
    return text + "."


def _dimmed(lamp: LampWatch | None, state: LightState) -> tuple[str, str]:
    """Which of lamp, probe and window lost light, in a word and a sentence."""
    if lamp is not None and state.lamp.dimming:
        if state.fouled:
            return "probe", "Lamp and daylight have fallen alike: the light probe is dirty or shaded."
        if _surely_lamp(state):
            return "lamp", _cause(state)
        return "unknown", f"{_cause(state)} Wipe the probe first: that settles it."
    if state.cleaning == "helped":
        return "", "The last cleaning brought the light back: what had dimmed was dirt, not the lamp."
    return _without_edges(lamp, state)


def _without_edges(lamp: LampWatch | None, state: LightState) -> tuple[str, str]:
    """The weaker claims: by nights where the lamp never goes off, and by daylight at equal heights of the sun."""
    night = daylight.night_change(state.daylight)
    if night is not None and night < -0.1:
        loss = 100.0 * (1.0 - math.exp(night))
        return (
            "unknown",
            f"The light at night is {loss:.0f} % below what it was: the lamp or the probe, roughly judged.",
        )
    recent = daylight.recent_change(state.daylight)
    if recent is None or recent[0] + 1.645 * recent[1] > -0.1:
        return "", ""
    loss = 100.0 * (1.0 - math.exp(recent[0]))
    error = 100.0 * recent[1]
    text = f"Daylight at the same height of the sun is {loss:.0f} % (± {error:.0f}) below what it was"
    if lamp is not None and lamp.anchored(state.lamp):
        return "window", f"{text}, the lamp is not: something shades the window or its glass is dirty."
    return "unknown", f"{text}: the probe or the window; without a lamp's switching the two can't be told apart."


def _switching(lamp: LampWatch | None, state: LightState, at_s: float, zone: ZoneInfo) -> str:
    if lamp is None:
        return ""
    parts = []
    for slot in state.lamp.slots:
        if slot.seen_s is not None and at_s - slot.seen_s < 10 * DAY_S:
            local = local_time(slot.seen_s, zone)
            parts.append(f"{'on' if slot.sign > 0 else 'off'} {local:%H:%M}")
    seen = f"Last seen switching: {', '.join(parts)}." if parts else ""
    return " ".join(p for p in (state.note, seen) if p)


def _refusals(tank: Tank, site: Site, lamp: LampWatch | None, state: LightState, at_s: float) -> list[str]:
    out: list[str] = []
    if tank.lamp is None:
        out.append("No lamp is configured, so only daylight is judged, and only roughly.")
    if site.latitude is None or site.longitude is None:
        out.append("The site's latitude and longitude are not set, so daylight can't be compared with the sun.")
    if lamp is None or state.lamp.since_s is None:
        return out
    days = (at_s - state.lamp.since_s) / DAY_S
    if not lamp.anchored(state.lamp):
        if days < 14.0:
            out.append(f"The lamp's anchor is being learned: day {days:.0f} of about 14.")
        elif not any(s.seen_s for s in state.lamp.slots):
            out.append(
                "No lamp-on or lamp-off shows in the light, so dimming is judged roughly, by night, or not at all."
            )
        else:
            out.append("The light is too restless around lamp-on and lamp-off to learn what the lamp gives.")
    elif any(s.missed >= 5 for s in state.lamp.slots):
        out.append("Some lamp-on or lamp-off has not shown for five days; dimming is judged by the others.")
    if any(s.width_s > 0.0 for s in state.lamp.slots):
        out.append("The lamp ramps up or down; it is measured across the ramp, and counts a little less for it.")
    return out
