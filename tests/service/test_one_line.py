"""How the tanks are, in the one line of `systemctl status`."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from helpers.site import accounted
from rushlight.effects import Estimate
from rushlight.service.one_line import one_line
from rushlight.views import AlarmView, OutletView, SiteView, TankView

NOW_S = dt.datetime(2026, 3, 3, 12, tzinfo=ZoneInfo("Europe/Dublin")).timestamp()  # a Tuesday (ISO 8601 calendar)


def alarm(name: str, priority: str, state: str = "unacknowledged", text: str = "") -> AlarmView:
    return AlarmView(
        id=f"foyer.{name}",
        alarm=name,
        tank="foyer",
        occurrence=1,
        state=state,
        priority=priority,
        since_s=0.0,
        text=text,
    )  # type: ignore[arg-type]


def site(*tanks: TankView, **more: object) -> SiteView:
    return SiteView(at_s=NOW_S, name="Rowan Street library", timezone="Europe/Dublin", tanks=tanks, **more)  # type: ignore[arg-type]


def test_a_quiet_tank_and_one_with_alarms() -> None:
    quiet = TankView(
        id="reading-room", title="Reading room", litres=54, nitrate=Estimate(mean=12.4, low=6, high=19), due_at_s=NOW_S + 86400
    )  # fmt: skip
    loud = TankView(
        id="foyer", title="Foyer", litres=140, overdue=True,
        alarms=(alarm("nitrate_rising", "low"), alarm("ammonia_high", "high"), alarm("ph_low", "low", "returned")),
    )  # fmt: skip
    told = OutletView(
        name="push", title="Push messages", well=True, sentence="", state="delivered", confirmed_at_s=NOW_S
    )
    assert one_line(site(accounted(loud), accounted(quiet), outlets=(told,))) == (
        "Foyer: ammonia above its limit and 1 more, test overdue; "
        "Reading room: no alarm, nitrate about 12 mg/L as NO3, next test Wed 04 Mar"
    )


def test_what_is_missing_in_the_house_is_said() -> None:
    tank = TankView(id="foyer", title="Foyer", litres=140)
    assert one_line(site(tank)) == "Foyer: no alarm; no channel to a person"
    push = OutletView(name="push", title="Push messages", well=True, sentence="", state="never tried")
    house = alarm("storage_low", "medium", text="The card is nearly full. First: make a backup.")
    assert one_line(site(tank, outlets=(push,), alarms=(house,))) == (
        "Foyer: no alarm; The card is nearly full; no trial message confirmed yet (sudo rushlight setup)"
    )
