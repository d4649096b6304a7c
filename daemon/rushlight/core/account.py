"""One account of a tank at a moment: headline, evidence, cause, to do; page, command line and letter show parts of it.

Owns what is said of a tank as a whole and in which order: the worst thing first.  Takes all it says from the watches'
reports and the alarms of the same moment, so that no two screens can tell it differently, and leaves out a cause of a
change where no change is sure.  Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rushlight.alarms.table import TABLE
from rushlight.alarms.wording.words import sentence
from rushlight.effects import Estimate
from rushlight.localunits import METRIC, Units, number
from rushlight.tank.nitrate import explanation
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.tank.routine.next_test import BUY
from rushlight.views import STANDING, Account, AlarmView, no_kit_for

FAR_DAYS = 90.0
"""A limit farther off than this is nothing to act on now (own choice)."""


def of_tank(
    report: NitrateReport,
    limit: float,
    alarms: Sequence[AlarmView],
    *,
    overdue: bool,
    tested: bool,
    due_today: bool = False,
    without_strips: bool = False,
    test_action: str = "",
    cannot: Sequence[str] = (),
    aid: tuple[str, str] | None = None,
    units: Units = METRIC,
) -> Account:
    """The account; `alarms` come most pressing first.  `due_today`: the next test is for this day, if not late yet.

    `without_strips`: there is none to test with.

    `test_action`: how the water is to be tested, where that is known; `cannot`: what of it no kit here measures.

    `aid`: what was just done to the tank, and what that asks for at once; only what is high goes before it.
    """
    standing = [a for a in alarms if a.state in STANDING]
    aid_first = aid is not None and not (standing and standing[0].priority == "high")
    level = state_sentence(report.nitrate, report.net_rate, limit, units)
    ahead = ahead_sentence(report.days_to_limit, limit, units)
    todo = todo_sentence(
        list(alarms),
        due=overdue or due_today,
        tested=tested,
        without_strips=without_strips,
        test_action=f"{test_action} {sentence(no_kit_for(cannot))}".strip(),
    )
    if aid is not None and aid_first:
        headline, todo = aid
    elif standing:
        headline = _headline(standing[0], report, limit)
    elif overdue:
        headline = "A water test is due."
    else:
        headline = "All quiet." if tested else "A first test is needed."
    asked = [a.first_action for a in standing] + ([aid[1]] if aid is not None else [])
    return Account(
        headline=headline,
        worst=standing[0].priority if standing else "low" if overdue else None,
        evidence=(level, *([ahead] if ahead else []), *(a.text for a in standing)),
        cause=cause_sentence(report, standing),
        todo=todo,
        also=tuple(_unsaid(asked, todo)),
    )


def _unsaid(asked: Sequence[str], todo: str) -> Iterator[str]:
    """What of it neither the thing to do nor another of them says already."""
    texts = list(dict.fromkeys(asked))
    for n, text in enumerate(texts):
        others = [todo, *texts[:n], *(t for t in texts[n + 1 :] if t.lower() != text.lower())]
        if not any(text.lower() in other.lower() for other in others):
            yield text


def _headline(alarm: AlarmView, report: NitrateReport, limit: float) -> str:
    """The worst alarm's title; of a level that has come below its limit since, not that it is above."""
    level = report.nitrate
    if alarm.alarm == "nitrate_high" and level is not None and level.mean <= limit:
        return "Nitrate may still be above its limit."
    return f"{TABLE[alarm.alarm].title}."


def ahead_sentence(days_to_limit: float | None, limit: float, units: Units = METRIC) -> str:
    """When the limit is as likely passed as not; empty where that lies too far ahead, or behind."""
    if days_to_limit is None or not 1.0 <= days_to_limit <= FAR_DAYS:
        return ""
    passing = units.say(limit, "mg/L", ".0f")
    return f"As things are, even odds of passing {passing} in about {days_to_limit:.0f} days."


def cause_sentence(report: NitrateReport, standing: Sequence[AlarmView]) -> str:
    """Why nitrate changed: while one of its alarms stands, or it surely goes one way; else there is nothing."""
    rate = report.net_rate
    sure = rate is not None and (rate.low > 0.0 or rate.high < 0.0)
    if sure or any(a.alarm in explanation.ALARMS for a in standing):
        return report.causes_sentence
    return ""


def state_sentence(nitrate: Estimate | None, net_rate: Estimate | None, limit: float, units: Units = METRIC) -> str:
    """Where nitrate is and where it goes, with how sure that is."""
    if nitrate is None:
        return "Not known yet: no test has been entered."
    mean, a_day = units.say(nitrate.mean, "mg/L as NO3", ".0f"), units.word("mg/L a day")
    level = f"Nitrate about {mean} ({nitrate.low:.0f} to {nitrate.high:.0f}), limit {number(limit, 3)}"
    if net_rate is None:
        return f"{level}."
    if net_rate.low > 0:
        return f"{level}, rising {net_rate.mean:.1f} {a_day} ({net_rate.low:.1f} to {net_rate.high:.1f})."
    if net_rate.high < 0:
        return f"{level}, falling {-net_rate.mean:.1f} {a_day} ({-net_rate.high:.1f} to {-net_rate.low:.1f})."
    return f"{level}, not clearly rising or falling."


def todo_sentence(
    alarms: list[AlarmView],
    *,
    due: bool,
    tested: bool = True,
    without_strips: bool = False,
    test_action: str = "",
) -> str:
    """The one thing to do today, or that there is none.  `alarms` come most pressing first; `due`: a test, by today."""
    standing = [a for a in alarms if a.state in STANDING]
    if standing and standing[0].first_action:
        return standing[0].first_action
    if without_strips and (due or not tested):
        return f"{BUY}."
    if due:
        return test_action or "Test the water with a strip and enter the result."
    if not tested:
        return "Test the water with a strip and enter the result; with the first test the estimate begins."
    return "Nothing to do today."
