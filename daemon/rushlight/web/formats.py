"""Moments, figures and entries in words for a person.  Pure."""

from __future__ import annotations

import re
import zoneinfo

from markupsafe import Markup

from rushlight.alarms.wording.words import capital
from rushlight.effects import Estimate
from rushlight.entry.entered import length
from rushlight.localtime import local_date, local_day, local_time
from rushlight.localunits import number
from rushlight.science.measuring.units import from_standard
from rushlight.settings import Kit
from rushlight.views import ProbeView


def moment(at_s: float | None, now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """'today 18:30', 'yesterday 18:30', 'Tue 3 Mar 18:30', with the year where it is another one."""
    if at_s is None:
        return "not known"
    when, now = (local_time(s, zone) for s in (at_s, now_s))
    return (
        f"{day(at_s, now_s, zone)} {when:%H:%M}" if abs((when.date() - now.date()).days) < 300 else f"{when:%d %b %Y}"
    )


def day(at_s: float, now_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """'today', 'tomorrow', 'Tue 3 Mar'."""
    when, now = (local_day(s, zone) for s in (at_s, now_s))
    near = {-1: "yesterday", 0: "today", 1: "tomorrow"}.get((when - now).days)
    return near or f"{when:%a} {when.day} {when:%b}" + ("" if when.year == now.year else f" {when.year}")


def timed(at_s: float, zone: zoneinfo.ZoneInfo, parts: str, words: str) -> Markup:
    """A moment that the browser writes again in its own manner: `parts` of weekday, day and month, year, time."""
    at = local_time(at_s, zone).isoformat(timespec="seconds")
    return Markup('<time datetime="{}" data-as="{}">{}</time>').format(at, parts, words)


def clock(at_s: float, zone: zoneinfo.ZoneInfo) -> Markup:
    """18:30."""
    return timed(at_s, zone, "t", f"{local_time(at_s, zone):%H:%M}")


def whole(text: str) -> str:
    """A sentence in which a per cent sign stays with its figure at a line's end; what is marked up stays marked up."""
    return type(text)(re.sub(r"(?<=\d) %", "\N{NO-BREAK SPACE}%", text))


def clocks(text: str) -> Markup:
    """A sentence whose clock times, '07:35', the browser writes again in its own manner, whatever the day.

    What is marked up already has its times marked.
    """
    text = whole(text)
    if isinstance(text, Markup):
        return text
    spoken = Markup('<span data-at="2000-01-01T{0}Z" data-as="c">{0}</span>')
    parts = re.split(r"(?<![\d:.-])([01]\d:[0-5]\d|2[0-3]:[0-5]\d)(?![\d:])", text)
    return Markup("").join(spoken.format(part) if n % 2 else part for n, part in enumerate(parts))


def shown_day(at_s: float, now_s: float, zone: zoneinfo.ZoneInfo, *, first: bool = False) -> Markup:
    """As `day`, for the page's text; `first`: it begins a sentence."""
    words, when, now = day(at_s, now_s, zone), local_day(at_s, zone), local_day(now_s, zone)
    if abs((when - now).days) <= 1:
        return Markup("{}").format(capital(words) if first else words)
    return timed(at_s, zone, "wd" if when.year == now.year else "wdy", words)


def shown_moment(at_s: float | None, now_s: float, zone: zoneinfo.ZoneInfo, *, first: bool = False) -> Markup:
    """As `moment`, for the page's text; `first`: it begins a sentence."""
    words = moment(at_s, now_s, zone)
    if at_s is None:
        return Markup("{}").format(capital(words) if first else words)
    when, now = (local_day(s, zone) for s in (at_s, now_s))
    days = abs((when - now).days)
    if days <= 1:
        return Markup("{} {}").format(shown_day(at_s, now_s, zone, first=first), clock(at_s, zone))
    parts = "dy" if days >= 300 else "wdt" if when.year == now.year else "wdyt"
    return timed(at_s, zone, parts, words)


def date(at_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """2026-03-01, local."""
    return local_date(at_s, zone)


def quantity(name: str) -> str:
    """How a quantity is called."""
    return {"ph": "pH"}.get(name, name.replace("_", " ").capitalize())


def probe(view: ProbeView) -> str:
    """What a probe measures, and which of several it is."""
    name = quantity(view.quantity)
    return f"{name}, {view.which}" if view.which else name


def ago(at_s: float | None, now_s: float) -> str:
    """'12 min ago'."""
    if at_s is None:
        return "never"
    s = now_s - at_s
    return "just now" if s < 90 else f"{length(s)} ago"


def span(e: Estimate | None, digits: int = 2) -> str:
    """'23 (18 to 30)'."""
    if e is None:
        return "not known"
    return f"{number(e.mean, digits)} ({number(e.low, digits)} to {number(e.high, digits)})"


def reading(value: float | str, substance: str, kit: Kit) -> str:
    """A canonical value as this kit would give it: '10' on a box in N for 44 mg/L as NO3."""
    bound = value[:1] if isinstance(value, str) and value[:1] in {"<", ">"} else ""
    plain = float(value[len(bound) :]) if isinstance(value, str) else value
    return f"{bound}{number(from_standard(substance, plain, kit.unit(substance)), 3)}"


def field_time(at_s: float, zone: zoneinfo.ZoneInfo) -> str:
    """2026-03-01T18:30, as a date-and-time field wants it."""
    return f"{local_time(at_s, zone):%Y-%m-%dT%H:%M}"
