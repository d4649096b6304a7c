"""A week in the invented library, as material for the weekly summary."""

from __future__ import annotations

import datetime as dt
import math
from zoneinfo import ZoneInfo

from helpers.site import accounted
from rushlight.alarms.evidence import Evidence, LampLoss
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording import words
from rushlight.effects import AlarmChange, Daily, Estimate
from rushlight.events import Feeding, Harvest, Test, WaterChange
from rushlight.settings import Config, Kit, Lamp, Site, Tank
from rushlight.summary.build import Material
from rushlight.summary.figures import tank_pictures
from rushlight.views import AlarmView, OutletView, ProbeView, SiteView, TankView

DUBLIN = ZoneInfo("Europe/Dublin")
PADS = (0.0, 10.0, 25.0, 50.0, 100.0, 250.0)
CONFIG = Config(
    site=Site(name="Rowan Street library", timezone="Europe/Dublin"),
    tank=(
        Tank(id="foyer", name="Foyer", litres=140, lamp=Lamp()),
        Tank(id="reading-room", name="Reading room", litres=54),
    ),
    kit=(Kit(id="strip", pads={"nitrate": PADS}),),
)
NOW_S = dt.datetime(2025, 6, 9, 7, 30, tzinfo=DUBLIN).timestamp()  # Monday of ISO week 24
DAY_S = 86400.0
OUTLETS = (
    OutletView(
        name="push", title="Push messages", well=True, sentence="Delivered last on Sat 7 June at 07:30.",
        state="delivered", at_s=NOW_S - 2 * DAY_S,
    ),
    OutletView(name="email", title="E-mail", well=True, sentence="Never tried.", state="never tried"),
    OutletView(name="hub", title="Hub", well=True, sentence="Connected since Sun 8 June at 07:30."),
)  # fmt: skip
DIMMING = LampLoss(
    sentence="the lamp gives 82 % (90 %: 78 to 86) of what it was in February, falling since about 10 April.",
    cause_sentence="Daylight at the probe has not fallen with it, so it is the lamp or its cover, not the probe.",
)


def estimate(mean: float, spread: float) -> Estimate:
    return Estimate(mean=mean, low=mean - spread, high=mean + spread)


def daily(tank: str, days_ago: int) -> Daily:
    at_s = dt.datetime.combine(dt.date(2025, 6, 9) - dt.timedelta(days=days_ago), dt.time(), DUBLIN).timestamp()
    slip = max(0.0, 40 - days_ago) / 40
    return Daily(
        at_s=at_s,
        tank=tank,
        date=dt.datetime.fromtimestamp(at_s - 1, DUBLIN).date().isoformat(),
        light_dose_mol=11.9 - 2.0 * slip + 0.6 * math.sin(days_ago),
        light_coverage=1.0,
        lamp_dose_mol=9.8 - 1.7 * slip,
        lamp_percent=100 - 18 * slip,
        nitrate=estimate(18 + 13 * slip, 6 + 0.5 * (days_ago % 7)),
    )


def alarm(name: str, told: Evidence, first: str = "") -> AlarmView:
    row = TABLE[name]
    return AlarmView(
        id=f"foyer.{name}",
        alarm=name,
        tank="foyer",
        occurrence=1,
        state="acknowledged",
        priority=row.priority,
        since_s=NOW_S - 3 * DAY_S,
        text=words.alarm_text(row, "Foyer", told),
        first_action=words.first_action(row, told),
        evidence=told.record(),
    )


def material(*, busy: bool = True, pictures: bool = True) -> Material:
    days = {t.id: [daily(t.id, n) for n in range(55, -1, -1)] for t in CONFIG.tank}
    entries = [
        Test(at_s=NOW_S - 7.5 * DAY_S * k - 3 * DAY_S, tank="foyer", method="strip", values={"nitrate": v}, id=f"t{k}")
        for k, v in enumerate((25.0, 25.0, 25.0, 10.0, 25.0))
    ]
    entries += [
        WaterChange(at_s=NOW_S - 2 * DAY_S, tank="foyer", fraction=0.25, id="w"),
        Harvest(at_s=NOW_S - 4 * DAY_S, tank="foyer", fresh_grams=120, plant="umbrella sedge", id="h"),
        Feeding(at_s=NOW_S - DAY_S, tank="foyer", grams=0.9, id="f"),
    ]
    change = AlarmChange(
        at_s=NOW_S - 5 * DAY_S, tank="foyer", alarm="test_overdue", id="foyer.test_overdue", occurrence=1,
        state="unacknowledged", priority="medium", text="Foyer: water test overdue.",
    )  # fmt: skip
    over = AlarmChange(
        at_s=NOW_S - 4.9 * DAY_S, tank="foyer", alarm="test_overdue", id="foyer.test_overdue", occurrence=1,
        state="returned", priority="medium", text="Foyer: water test overdue. Back to normal; not yet acknowledged.",
    )  # fmt: skip
    foyer = TankView(
        id="foyer",
        title="Foyer",
        litres=140,
        probes=(
            ProbeView(id="foyer-t", tank="foyer", quantity="temperature", unit="°C", value=24.31, fresh=True, flag=1),
            ProbeView(
                id="foyer-ph",
                tank="foyer",
                quantity="ph",
                unit="",
                trouble="the pH probe foyer-ph has been silent for 2 h",
            ),
        ),
        alarms=(alarm("lamp_dimming", DIMMING),) if busy else (),
        nitrate=estimate(31.2, 7.6),
        net_rate=estimate(0.6, 0.3),
        last_test_at_s=NOW_S - 4 * DAY_S,
        kept_up=estimate(0.72, 0.14),
        lamp_percent=82.0,
        due_at_s=NOW_S + 3 * DAY_S,
        due_reason="the light has fallen",
        strips_left=12.5,
        causes_sentence="Less light explains about 0.5 of the 0.6 mg/L a day.",
    )
    reading = TankView(
        id="reading-room",
        title="Reading room",
        litres=54,
        nitrate=estimate(12, 6.5),
        net_rate=estimate(0.0, 0.3),
        last_test_at_s=NOW_S - DAY_S,
        due_at_s=NOW_S + 2 * DAY_S,
    )
    made = {t.id: tank_pictures(CONFIG, t, days[t.id], entries, NOW_S) if pictures else () for t in CONFIG.tank}
    return Material(
        view=SiteView(
            at_s=NOW_S,
            name=CONFIG.site.name,
            timezone=CONFIG.site.timezone,
            tanks=(accounted(foyer), accounted(reading)),
            outlets=OUTLETS,
        ),
        days=days,
        changes=(change, over),
        entries=entries,
        watched=False,
        pictures=made,
    )
