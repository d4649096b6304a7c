"""`rushlight plan`: how much water to change."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click
from pydantic import TypeAdapter
from rich.console import Console
from rich.table import Table

from rushlight.cli import asking
from rushlight.cli.common import config_option, fail, load_config
from rushlight.localunits import Units
from rushlight.science.chemistry.water_change import DAILY_CAP, Contents, Plan, plan
from rushlight.settings import Config, Tank
from rushlight.views import SiteView, TankView
from rushlight.web import plans


@click.command(name="plan")
@click.option("--tank", "-t", "tank_id", help="Tank id; may be left out when there is one tank.")
@click.option(
    "--target",
    type=click.FloatRange(min=0),
    help="Nitrate to reach, mg/L (ppm) as NO3.  [default: what the planner proposes for all that is beyond its limit]",
)
@click.option(
    "--nitrate",
    type=click.FloatRange(min=0),
    help="Nitrate now, mg/L (ppm) as NO3.  [default: the running daemon's estimate]",
)
@click.option(
    "--daily-cap",
    type=click.FloatRange(0, 1, min_open=True),
    default=DAILY_CAP,
    show_default=True,
    help="Largest part of the water changed a day.",
)
@config_option
def plan_(
    tank_id: str | None, target: float | None, nitrate: float | None, daily_cap: float, config_file: Path | None
) -> None:
    """Say how much water to change, in one go or over several days, and what that does to KH, GH and pH.

    Treat the new water against chlorine and chloramine, and have it as warm as the tank.

    \b
    rushlight plan --tank foyer
    rushlight plan --tank foyer --target 20
    rushlight plan --tank foyer --target 20 --nitrate 45 --daily-cap 0.5

    Exit status: 0 planned; 1 nitrate is not known; 2 the target can't be reached, with the reason.
    """  # noqa: D301
    config = load_config(config_file)
    tank = _tank(config, tank_id)
    seen, why = _seen(config, tank)
    if seen is None and target is None:
        fail(f"{why}, so the water is not known; give --target and --nitrate")
    if seen is not None and (target is None or seen.remedy_kind not in {"none", "change"}):
        _propose(seen)  # without a target, or where plain tap water would do harm or nobody can know
        return
    units = Units(config.site.units)
    now, rise = _now(seen, why, nitrate)
    source = Contents(**{k: tank.source_water.get(k) for k in ("nitrate", "kh", "gh", "ph")})
    try:
        made = plan(
            now,
            source,
            tank.litres,
            target or 0.0,
            daily_cap=daily_cap,
            net_rate=rise,
            say=units.say,
        )
    except ValueError as e:
        fail(str(e), status=2)
    _show(made, units)


def _tank(config: Config, tank_id: str | None) -> Tank:
    if tank_id is None and len(config.tank) > 1:
        fail(f"--tank: is missing; one of {', '.join(t.id for t in config.tank)}", status=2)
    found = [t for t in config.tank if tank_id in {None, t.id}]
    return found[0] if found else fail(f"no tank called {tank_id!r}", status=2)


def _seen(config: Config, tank: Tank) -> tuple[TankView | None, str]:
    """The tank as the running daemon sees it, or None and why."""
    try:
        answer = asking.ask_or_none(config, do="view")
    except RuntimeError as e:
        return None, str(e)
    if answer is None:
        return None, "the daemon is not running here"
    view = TypeAdapter(SiteView).validate_python(answer["view"])
    return next(t for t in view.tanks if t.id == tank.id), ""


def _propose(seen: TankView) -> None:
    """The core's remedy, line by line."""
    console = Console(highlight=False)
    for said in seen.remedy_sentences or ("nothing is beyond its limit, as far as tests tell.",):
        console.print(said)


def _now(seen: TankView | None, why: str, nitrate: float | None) -> tuple[Contents, float]:
    """What is in the tank, and how fast nitrate rises; from the running daemon where there is one."""
    if seen is None:
        if nitrate is None:
            fail(f"{why}, so nitrate is not known; give it with --nitrate")
        return Contents(nitrate=nitrate), 0.0
    if nitrate is None and seen.nitrate is None:
        fail("nitrate is not known: no test has been entered; give it with --nitrate")
    found = plans.contents(seen)
    rise = max(0.0, seen.net_rate.mean) if seen.net_rate else 0.0
    return (found if nitrate is None else dataclasses.replace(found, nitrate=nitrate)), rise


def _show(made: Plan, units: Units) -> None:
    console = Console(highlight=False)
    if not made.changes:
        console.print("nothing to change: nitrate is at or below the target already.")
        return
    names = {"nitrate": ("nitrate", "mg/L as NO3"), "kh": ("KH", "°dH"), "gh": ("GH", "°dH"), "ph": ("pH", "")}
    known = {k: v for k, v in names.items() if any(getattr(c.after, k) is not None for c in made.changes)}
    table = Table(box=None, padding=(0, 2), header_style="dim")
    table.add_column("when")
    for column in ("change", units.name("litres"), *(f"{name} after" for name, _ in known.values())):
        table.add_column(column, justify="right", no_wrap=True)
    for change in made.changes:
        after = (_figure(getattr(change.after, key), unit, units) for key, (_, unit) in known.items())
        when = {0: "now", 1: "in 1 day"}.get(change.day, f"in {change.day} days")
        table.add_row(when, f"{100 * change.fraction:.0f} %", units.figure(change.litres, "L", ".0f"), *after)
    console.print(table)
    for caution in made.cautions:
        console.print(f"note: {caution}")


def _figure(value: float | None, unit: str, units: Units) -> str:
    # A hardness in ppm is as CaCO3 everywhere; said in each cell it would leave the table no room for the days.
    return "not known" if value is None else units.say(value, unit, ".1f").removesuffix(" as CaCO3")
