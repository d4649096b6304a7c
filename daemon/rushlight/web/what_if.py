"""'What if': a trial that an address asks for, and what the core says it would come to."""

from __future__ import annotations

import urllib.parse
from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.effects import Estimate
from rushlight.localunits import Units
from rushlight.settings import OnHours, Tank
from rushlight.web import formats
from rushlight.web.entering.fields import FieldError, in_record, number
from rushlight.web.serving.daemon import Trial
from rushlight.web.serving.page_request import PageRequest

FIELDS = ("feed", "hours", "change")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the trial comes to: a sentence, its forecast, and rows of the day beside each other, as it is and tried."""

    sentence: str
    tried: Sequence[tuple[int, Estimate]]
    rows: Sequence[tuple[str, str, str]]


def lamp_hours(tank: Tank) -> float | None:
    """Hours of lamp light a day, as configured; None when they are learned from the probe."""
    return sum(map(_length_h, tank.lamp.hours)) or None if tank.lamp else None


def _length_h(hours: OnHours) -> float:
    on, off = ((int(h) + int(m) / 60) for h, m in (t.split(":") for t in (hours.on, hours.off)))
    return (off - on) % 24 or 24.0


def query(asked: PageRequest) -> str:
    """The trial again, to be put behind another address's query: '' or '&feed=1.2'."""
    given = {k: v for k in FIELDS if (v := asked.request.query.get(k, ""))}
    return f"&{urllib.parse.urlencode(given)}" if given else ""


def asked_for(asked: PageRequest, tank: Tank) -> tuple[dict[str, str], Outcome | None, dict[str, str]]:
    """The trial that the address asks for, its outcome by the core, and complaints by field."""
    wanted = {k: asked.request.query.get(k, "") for k in FIELDS}
    if not any(wanted.values()):
        return wanted, None, {}
    try:
        grams = number(in_record(wanted, {"feed": "mass"}, asked.units), "feed", most=1000)
        hours = number(wanted, "hours", most=24)
        percent = number(wanted, "change", most=100)
    except FieldError as e:
        return wanted, None, {e.name: e.what}
    now_h = lamp_hours(tank)
    factor = hours / now_h if hours is not None and now_h else None
    trial = Trial(
        feed_grams=grams, light_factor=factor, change_fraction=percent / 100.0 if percent is not None else None
    )
    plain, tried = asked.daemon.what_if(tank.id, Trial()), asked.daemon.what_if(tank.id, trial)
    if not tried:
        return wanted, None, {"feed": "there is no test to start from yet"}
    return wanted, _outcome(tank, plain, tried, asked.units), {}


def _outcome(
    tank: Tank, plain: Sequence[tuple[int, Estimate]], tried: Sequence[tuple[int, Estimate]], units: Units
) -> Outcome:
    limit, last = tank.limits.nitrate, tried[-1][0]
    sentence = (
        f"In {last} days nitrate would be {formats.span(tried[-1][1])} {units.word('mg/L as NO3')} instead of "
        f"{formats.span(plain[-1][1])}; "
        f"the limit is {limit:g}. {_crossing(tried, limit)}"
    )
    rows = [
        (f"{day} days" if day else "now", formats.span(one), formats.span(other))
        for (day, one), (_, other) in zip(plain, tried, strict=True)
        if day % 7 == 0
    ]
    return Outcome(sentence, tried, rows)


def _crossing(ahead: Sequence[tuple[int, Estimate]], limit: float) -> str:
    day = next((d for d, e in ahead if e.mean > limit), None)
    if day is None:
        sure = max(e.high for _, e in ahead) <= limit
        return f"It would {'almost surely' if sure else 'more likely than not'} stay below."
    return "It is above already." if day == 0 else f"It would pass the limit in about {day} days."
