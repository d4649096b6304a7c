"""How the tanks are, in one line: what `systemctl status` shows.

Pure: told what may be looked at, gives the line.  The daemon's own trouble comes from whoever finds it.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rushlight import localtime
from rushlight.localunits import Units
from rushlight.views import STANDING, SiteView, TankView


def one_line(view: SiteView) -> str:
    """Each tank with its alarms, nitrate and next test; then what concerns the whole house."""
    parts = [_tank(tank, ZoneInfo(view.timezone), Units(view.units)) for tank in view.tanks]
    parts += [a.text.partition(". ")[0] for a in view.alarms if a.state in STANDING]
    people = [o for o in view.outlets if o.state]
    if not people:
        parts.append("no channel to a person")
    elif not any(o.confirmed_at_s for o in people):
        parts.append("no trial message confirmed yet (sudo rushlight setup)")
    return "; ".join(parts)


def _tank(tank: TankView, zone: ZoneInfo, units: Units) -> str:
    said = [_alarms(tank)]
    if tank.nitrate is not None:
        said.append(f"nitrate about {units.say(tank.nitrate.mean, 'mg/L as NO3', '.0f')}")
    if tank.overdue:
        said.append("test overdue")
    elif tank.due_at_s is not None:
        said.append(f"next test {localtime.local_time(tank.due_at_s, zone):%a %d %b}")
    return f"{tank.title}: {', '.join(said)}"


def _alarms(tank: TankView) -> str:
    """The worst of them by the tank's own account, and how many more stand."""
    n = sum(a.state in STANDING for a in tank.alarms)
    if not n:
        return "no alarm"
    headline = tank.account.headline.rstrip(".")
    worst = headline if headline[1:2].isupper() else headline[:1].lower() + headline[1:]
    return f"{worst} and {n - 1} more" if n > 1 else worst
