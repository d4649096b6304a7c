"""All tanks at a glance, the one that needs a person most at the top; and the same for a screen on a wall.

Writes nothing and works out nothing: state, headline and first action are the core's account.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.drawing import lanes
from rushlight.journal.reader import Reader
from rushlight.localtime import DAY_S, local_day
from rushlight.localunits import number
from rushlight.views import STANDING, URGENCIES, AlarmView, SiteView, TankView, Urgency
from rushlight.web import formats
from rushlight.web.entering.entries import SHEETS
from rushlight.web.screens import notice
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import Response

CURVE_DAYS = 42
_WORDS: dict[Urgency, str] = {
    "now": "Act now",
    "soon": "Act soon",
    "look": "Have a look",
    "unknown": "Not known yet",
    "quiet": "Quiet",
}
_PRESSING: dict[str, Urgency] = {"high": "now", "medium": "soon", "low": "look"}


@dataclass(frozen=True, slots=True)
class Row:
    """One tank, as much of it as is seen at a glance."""

    tank: TankView
    urgency: Urgency
    word: str
    standing: Sequence[AlarmView]
    curve: str
    nitrate: str
    test: str
    light: str
    light_share: float | None
    """The week's light as a share of what the plants need; None where either is not known."""


def home(asked: PageRequest) -> Response:
    """The rows, and what is wrong with the installation itself."""
    view = asked.daemon.view()
    return asked.page(
        "home.html",
        "Tanks",
        view=view,
        rows=_rows(asked, view),
        site_urgency=_site_urgency(view),
        urgency_words=_WORDS,
        notice=notice(asked),
        heading=view.headline,
        sheets=SHEETS,
    )


def wall(asked: PageRequest) -> Response:
    """The same for a screen on a wall: nothing to touch.  Without scripts it renews itself where that was asked for."""
    view = asked.daemon.view()
    standing = [a for a in view.alarms if a.state in STANDING]
    return asked.page(
        "wall.html",
        "Wall",
        view=view,
        rows=_rows(asked, view),
        site_alarms=standing,
        heading=view.headline,
        renewed=bool(asked.request.query.get("renew")),
    )


def words(asked: PageRequest) -> Response:
    """What the page's own words mean."""
    return asked.page("words.html", "What the words mean")


def _rows(asked: PageRequest, view: SiteView) -> list[Row]:
    with asked.daemon.reader() as reader:
        rows = [_row(asked, t, reader) for t in view.tanks]
    return sorted(rows, key=lambda r: (URGENCIES.index(r.urgency), r.standing[0].since_s if r.standing else 0.0))


def _row(asked: PageRequest, t: TankView, reader: Reader) -> Row:
    share = None if not t.light_need_mol or t.light_week_mol is None else t.light_week_mol / t.light_need_mol
    return Row(
        tank=t,
        urgency=t.urgency,
        word=_WORDS[t.urgency],
        standing=[a for a in t.alarms if a.state in STANDING],
        curve=_curve(asked, t, reader),
        nitrate="not known" if t.nitrate is None else number(t.nitrate.mean),
        test=_test(asked, t),
        light=_light(t),
        light_share=share,
    )


def _curve(asked: PageRequest, t: TankView, reader: Reader) -> str:
    now_s, limit = asked.daemon.now_s(), asked.tank(t.id).limits.nitrate
    from_s = now_s - CURVE_DAYS * DAY_S
    days = reader.days(t.id, formats.date(from_s, asked.zone))
    band = [(d.at_s, n.mean, n.low, n.high) for d in days if (n := d.nitrate) is not None]
    if t.nitrate is None or not band:
        return ""  # one moment is no curve
    band.append((now_s, t.nitrate.mean, t.nitrate.low, t.nitrate.high))
    unit = asked.units.word("mg/L as NO3")
    said = f"Nitrate over {CURVE_DAYS // 7} weeks: now {formats.span(t.nitrate)} {unit}, limit {limit:g}"
    return lanes.small(band, (), limit, f"limit {limit:g}", (from_s, now_s), said)


def _test(asked: PageRequest, t: TankView) -> str:
    """'in 3 days', 'today', '2 days overdue'."""
    if t.due_at_s is None:
        return "now, the first one"
    due, today = (local_day(s, asked.zone) for s in (t.due_at_s, asked.daemon.now_s()))
    days = (due - today).days
    if days < 0:
        return f"{-days} day{'s' if days < -1 else ''} overdue"
    if days == 0:
        return "today, overdue" if t.overdue else "today"
    if days == 1:
        return "tomorrow"
    return f"within {days} days" if t.asked_again else f"in {days} days"


def _light(t: TankView) -> str:
    if t.light_week_mol is None:
        return ""
    got = number(t.light_week_mol)
    if t.light_need_mol is None:
        return f"{got} mol/m² a day"
    return f"{got} of {number(t.light_need_mol)} mol/m² a day"


def _site_urgency(view: SiteView) -> Urgency:
    """How pressing what is wrong with the installation itself is."""
    standing = [_PRESSING[a.priority] for a in view.alarms if a.state in STANDING]
    if view.storage:
        return "now"
    return min(standing, key=URGENCIES.index, default="quiet")
