"""Commands that look: status, alarms, summary."""

from __future__ import annotations

import getpass
import uuid
import zoneinfo
from pathlib import Path
from typing import Any

import click
from pydantic import TypeAdapter
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from rushlight import eventlines
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording import words
from rushlight.cli import asking
from rushlight.cli.common import config_in_use, config_option, fail
from rushlight.clock import SystemClock
from rushlight.effects import Estimate
from rushlight.localtime import DAY_S, local_time
from rushlight.localunits import Units
from rushlight.settings import Config
from rushlight.views import STANDING, AlarmView, ProbeView, SiteView, TankView


def _view(config: Config) -> SiteView:
    view = TypeAdapter(SiteView).validate_python(asking.ask(config, do="view")["view"])
    assert isinstance(view, SiteView)
    return view


@click.command()
@click.option("--json", "as_json", is_flag=True, help="The same as JSON.")
@config_option
def status(config_file: Path | None, *, as_json: bool) -> None:
    """Show each tank: its state, fresh values, the next test, standing alarms, and how news leaves the house.

    \b
    rushlight status
    rushlight status --json

    Exit status: 0 shown; 1 the daemon is not running.
    """  # noqa: D301
    config = config_in_use(config_file)
    view = _view(config)
    if as_json:
        click.echo(TypeAdapter(SiteView).dump_json(view, indent=2).decode())
        return
    console = Console()
    zone = zoneinfo.ZoneInfo(view.timezone)
    clock = "" if view.clock_ok else "  (the clock is not trusted yet)"
    console.print(Text.assemble((view.name, "bold"), f"  {_local(view.at_s, zone)}{clock}"))
    _say(console, f"{view.headline}.")
    if view.storage:
        _say(console, view.storage)
    for tank in view.tanks:
        _print_tank(console, tank, view.at_s, zone, Units(view.units))
    _print_alarms(console, [*view.alarms, *(a for t in view.tanks for a in t.alarms)], zone)
    for outlet in view.outlets:
        console.print()
        console.print(Text.assemble((outlet.title, "bold"), "" if outlet.well else " (trouble)"))
        _say(console, outlet.sentence)


def _print_tank(console: Console, tank: TankView, now_s: float, zone: zoneinfo.ZoneInfo, units: Units) -> None:
    console.print(Text.assemble("\n", (tank.title, "bold"), f" ({units.say(tank.litres, 'L', 'g')})"))
    _print_account(console, tank, zone)
    water = (f"Water: {said}" for said in tank.remedy_sentences)
    for said in (*tank.kit_sentences, *water):
        if said:
            _say(console, said)
    for planned in tank.planned:
        _say(console, f"Planned: {_local(planned.at_s, zone)}, {words.sentence(planned.sentence)}")
    for name, value, unit in (
        ("supply", tank.supply_rate, "mg/L as NO3 a day"),
        ("uptake", tank.uptake_rate, "mg/L as NO3 a day"),
        ("share kept up", tank.kept_up, ""),
    ):
        if value is not None:
            _say(console, f"{name}: {_estimate(value)} {units.word(unit)}".rstrip())
    if tank.probes:
        table = Table(box=None, padding=(0, 2), header_style="dim")
        for column in ("probe", "value", "age", ""):
            table.add_column(column)
        for probe in tank.probes:
            at_s = probe.heard_at_s if probe.value is None else probe.value_at_s
            table.add_row(_named(probe), _value(probe, units), _age(at_s, now_s), Text(probe.trouble))
        console.print(table)


def _print_account(console: Console, tank: TankView, zone: zoneinfo.ZoneInfo) -> None:
    """What the core says of the tank as a whole."""
    told = tank.account
    _say(console, told.headline)
    for said in told.evidence[: len(told.evidence) - _standing(tank)]:  # the alarms have a list of their own
        _say(console, said)
    if told.cause:
        _say(console, told.cause)
    _say(console, f"To do: {told.todo}")
    for said in told.also:
        _say(console, f"Then: {said}")
    if told.next_test_at_s is not None:
        late = " — overdue" if tank.overdue else " at the latest" if tank.asked_again else ""
        why = "; ".join(told.next_test_reasons)
        _say(console, f"Next test: {_local(told.next_test_at_s, zone)}{late}. {words.sentence(why)}")
        if told.next_test_kind_sentence:
            _say(console, told.next_test_kind_sentence)


def _standing(tank: TankView) -> int:
    """How many alarms stand, whose texts end the account's evidence."""
    return sum(a.state in STANDING for a in tank.alarms)


def _say(console: Console, text: str) -> None:
    """One sentence, indented also where it wraps; what stands in brackets is text, not markup."""
    console.print(Padding(Text(text), (0, 0, 0, 2)))


def _named(probe: ProbeView) -> Text:
    """Its id, where it is, and of several light probes which one carries the dose."""
    said = [probe.id, probe.place, f"carries the {probe.carries}" if probe.carries and not probe.alone else ""]
    return Text(", ".join(s for s in said if s))


def _value(probe: ProbeView, units: Units) -> str:
    if probe.value is None:
        return "—" if probe.raw is None else f"gives {units.say(probe.raw, probe.raw_unit, 3)}"
    return units.say(probe.value, probe.unit_shown, 3)


def _estimate(e: Estimate) -> str:
    return f"{e.mean:.2g} ({e.low:.2g} to {e.high:.2g})"


def _age(at_s: float | None, now_s: float) -> str:
    if at_s is None:
        return "never"
    age_s = max(0.0, now_s - at_s)
    for size_s, word in ((DAY_S, "d"), (3600.0, "h"), (60.0, "min")):
        if age_s >= 2 * size_s:
            return f"{age_s / size_s:.0f} {word}"
    return f"{age_s:.0f} s"


def _local(at_s: float, zone: zoneinfo.ZoneInfo) -> str:
    return local_time(at_s, zone).strftime("%a %d %b %Y %H:%M")


def _print_alarms(console: Console, alarms: list[AlarmView], zone: zoneinfo.ZoneInfo) -> None:
    if not alarms:
        console.print("\nNo alarms.", highlight=False)
        return
    # Not a table: an id is there to be copied, and a narrow terminal would break it.
    for a in alarms:
        console.print()
        console.print(Text(a.id, "bold"), soft_wrap=True)
        since = f"since {_local(a.since_s, zone)}"
        if a.state == "returned":  # what it asked for is asked for no longer
            _say(console, f"{TABLE[a.alarm].title}: over by now, was {a.priority}, {since}; not yet acknowledged.")
        else:
            _say(console, f"{a.state.replace('_', ' ')}, {a.priority} priority, {since}")
            _say(console, a.text)


@click.group(invoke_without_command=True)
@config_option
@click.pass_context
def alarms(ctx: click.Context, config_file: Path | None) -> None:
    """List alarms that are not normal; acknowledge or shelve one.

    \b
    rushlight alarms
    rushlight alarms acknowledge foyer.nitrate_rising
    rushlight alarms shelve foyer.probe_silent.foyer-ph --hours 24

    Exit status: 0 done; 1 the daemon is not running; 2 there is no such alarm; 3 done, but in memory only; 4 not known.
    """  # noqa: D301
    ctx.obj = config_file
    if ctx.invoked_subcommand is None:
        view = _view(config_in_use(config_file))
        found = [*view.alarms, *(a for t in view.tanks for a in t.alarms)]
        if view.storage:
            _say(Console(), view.storage)
        _print_alarms(Console(), found, zoneinfo.ZoneInfo(view.timezone))


_by_option = click.option(
    "--by", default=getpass.getuser, show_default="your user name", help="Who does it; a role will do."
)


@alarms.command()
@click.argument("alarm")
@_by_option
@config_option
@click.pass_obj
def acknowledge(outer: Path | None, alarm: str, by: str, config_file: Path | None) -> None:
    """Say that ALARM (its id) has been seen; it is not repeated unless it gets worse."""
    _act(config_in_use(config_file or outer), {"kind": "acknowledge", "alarm": alarm, "by": by})


@alarms.command()
@click.argument("alarm")
@click.option(
    "--hours",
    type=click.FloatRange(min=0),
    default=24.0,
    show_default=True,
    help="For how long; 0 takes it off the shelf.",
)
@_by_option
@config_option
@click.pass_obj
def shelve(outer: Path | None, alarm: str, hours: float, by: str, config_file: Path | None) -> None:
    """Put ALARM (its id) aside for some hours."""
    _act(config_in_use(config_file or outer), {"kind": "shelve", "alarm": alarm, "by": by, "hours": hours})


def _act(config: Config, line: dict[str, Any]) -> None:
    view = _view(config)
    known = [a.id for a in (*view.alarms, *(a for t in view.tanks for a in t.alarms))]
    if line["alarm"] not in known:
        fail(f"no alarm called {line['alarm']!r} at the moment; there are: {', '.join(known) or 'none'}", status=2)
    line |= {"at": eventlines.rfc3339(SystemClock().wall_s()), "id": str(uuid.uuid4())}
    try:
        receipt = asking.enter(config, line, now=True)
    except RuntimeError as e:
        fail(f"not stored: {e}")
    if receipt is None:
        fail("the daemon is not running here; start it with: rushlight run")
    asking.report(receipt, f"{line['kind']}: {line['alarm']}")


@click.command()
@click.option("--output", "-o", type=click.Path(path_type=Path), help="Write it to this file (.txt or .html).")
@click.option("--send", is_flag=True, help="Send it now, as the weekly e-mail.")
@config_option
def summary(output: Path | None, config_file: Path | None, *, send: bool) -> None:
    """Write the weekly summary to the screen or a file, or send it now.

    \b
    rushlight summary
    rushlight summary --output week.html
    rushlight summary --send

    Exit status: 0 done; 1 it could not be sent or written, or the daemon is not running; 2 no such form.
    """  # noqa: D301
    config = config_in_use(config_file)
    if output and output.suffix not in {".txt", ".html"}:
        fail(f"--output: expected a name that ends in .txt or .html, got {str(output)!r}", status=2)
    if send:
        click.echo(asking.ask(config, do="send summary")["said"])
        return
    text = asking.ask(config, do="summary", form="html" if output and output.suffix == ".html" else "text")["text"]
    if output:
        try:
            output.write_text(text)
        except OSError as e:
            fail(f"{output} can't be written: {e.strerror}")
    else:
        click.echo(text)
