"""One account of a tank at a moment: headline, evidence, cause, to do; page, command line and letter show parts of it.

Owns what is said of a tank as a whole and in which order: the worst thing first.  Takes all it says from the watches'
reports and the alarms of the same moment, so that no two screens can tell it differently, and leaves out a cause of a
change where no change is sure.  Pure.
"""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.alarms.table import TABLE
from rushlight.effects import Estimate
from rushlight.tank.nitrate.report import NitrateReport
from rushlight.views import Account, AlarmView

STANDING = frozenset({"unacknowledged", "acknowledged"})
_OF_NITRATE = frozenset({"nitrate_high", "nitrate_rising", "uptake_behind"})


def of_tank(
    report: NitrateReport, limit: float, alarms: Sequence[AlarmView], *, overdue: bool, tested: bool
) -> Account:
    """The account; `alarms` come most pressing first."""
    standing = [a for a in alarms if a.state in STANDING]
    level = state_sentence(report.nitrate, report.net_rate, limit)
    if standing:
        headline = f"{TABLE[standing[0].alarm].title}."
    elif overdue:
        headline = "A water test is due."
    else:
        headline = "Nothing asks for anything." if tested else "A first test is needed."
    return Account(
        headline=headline,
        evidence=(level, *(a.text for a in standing)),
        cause=cause_sentence(report, standing),
        todo=todo_sentence(list(alarms), overdue=overdue, tested=tested),
    )


def cause_sentence(report: NitrateReport, standing: Sequence[AlarmView]) -> str:
    """Why nitrate changed: while one of its alarms stands, or it surely goes one way; else there is nothing."""
    rate = report.net_rate
    sure = rate is not None and (rate.low > 0.0 or rate.high < 0.0)
    if sure or any(a.alarm in _OF_NITRATE for a in standing):
        return report.causes_sentence
    return ""


def state_sentence(nitrate: Estimate | None, net_rate: Estimate | None, limit: float) -> str:
    """Where nitrate is and where it goes, with how sure that is."""
    if nitrate is None:
        return "Not known yet: no test has been entered."
    level = f"Nitrate about {nitrate.mean:.0f} mg/L ({nitrate.low:.0f} to {nitrate.high:.0f}), limit {limit:.0f}"
    if net_rate is None:
        return f"{level}."
    if net_rate.low > 0:
        return f"{level}, rising {net_rate.mean:.1f} mg/L a day ({net_rate.low:.1f} to {net_rate.high:.1f})."
    if net_rate.high < 0:
        return f"{level}, falling {-net_rate.mean:.1f} mg/L a day ({-net_rate.high:.1f} to {-net_rate.low:.1f})."
    return f"{level}, not clearly rising or falling."


def todo_sentence(alarms: list[AlarmView], *, overdue: bool, tested: bool = True) -> str:
    """The one thing to do today, or that there is none.  `alarms` come most pressing first."""
    standing = [a for a in alarms if a.state in STANDING]
    if standing and standing[0].first_action:
        return standing[0].first_action
    if overdue:
        return "Test the water with a strip and enter the result."
    if not tested:
        return "Test the water with a strip and enter the result; with the first test the estimate begins."
    return "Nothing to do today."
