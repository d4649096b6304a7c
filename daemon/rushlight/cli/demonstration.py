"""`rushlight demo`: an invented year through the real core in seconds, then the daemon live on simulated probes."""

from __future__ import annotations

import dataclasses
import datetime as dt
import signal
import zoneinfo
from collections.abc import Iterable, Iterator
from importlib import resources
from pathlib import Path

import click
from rich.console import Console
from rich.padding import Padding
from rich.progress import track
from rich.text import Text

from rushlight.clock import SystemClock
from rushlight.config import loading as configuration
from rushlight.core.step import Core
from rushlight.demo import staff, year
from rushlight.effects import AlarmChange, Daily, Effect, Message
from rushlight.events import Event, Test
from rushlight.host import logs
from rushlight.localtime import DAY_S, local_day, local_time
from rushlight.service import offline
from rushlight.service.service import Service
from rushlight.settings import Config

_LIVE_DAYS = 120
"""So much of the year's end is put before the live start, so that pictures, estimates and causes have a past."""


@click.command()
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(".try/data"),
    show_default=True,
    help="Where the demo keeps its data; emptied of its journal first.",
)
@click.option("--no-live", is_flag=True, help="Stop after the invented year.")
@click.option("--port", type=int, default=8080, show_default=True, help="Port of the page while live.")
def demo(folder: Path, port: int, *, no_live: bool) -> None:
    """Replay an invented year of two tanks in a library, tell what was said and when, then go on live.

    Uses nothing but this machine: SQLite and simulated probes.

    \b
    rushlight demo
    rushlight demo --no-live

    Exit status: 0 done; 1 a worker died while live.
    """  # noqa: D301
    console = Console(highlight=False)
    text = resources.files("rushlight.demo").joinpath("rowan_street.toml").read_text()
    config = configuration.check(configuration.parse(text + year.PHONE))
    recent = _tell_year(console, config)
    if not no_live:
        raise SystemExit(_live(console, text, folder, port, recent))


def _tell_year(console: Console, config: Config) -> list[Event]:
    """Play the year, print what was said, and return the events of its last weeks."""
    count = int((year.local(12, 31, 24) - year.local(1, 1)) / year.EVERY_S) * len(config.probe)
    core = Core(config)
    story = track(staff.play(core), "an invented year", total=count, console=console, transient=True)
    effects: list[Effect] = []
    recent: list[Event] = []
    last_test: dict[str, Event] = {}
    since_s = year.local(12, 31, 24) - (_LIVE_DAYS + 1) * DAY_S
    for event, said in story:
        effects += said
        if event.at_s > since_s:
            recent.append(event)
        elif isinstance(event, Test):
            last_test[event.tank] = dataclasses.replace(event, at_s=since_s)
    told = [e for e in effects if isinstance(e, Message)]
    _print_story(console, config, told)
    days = sum(isinstance(e, Daily) for e in effects)
    raised = [e for e in effects if isinstance(e, AlarmChange) and e.state == "unacknowledged" and e.priority == "low"]
    console.print(f"{count:,} readings, {days} tank-days; {len(told)} messages to the phone in the whole year,")
    console.print(f"{len(raised)} alarms of low priority left to the weekly summary.")
    # Without these the live tanks would begin as never tested.
    return [*last_test.values(), *recent]


def _print_story(console: Console, config: Config, told: list[Message]) -> None:
    """What went wrong in the year and what was said of it, in the order of the days."""
    zone = zoneinfo.ZoneInfo(config.site.timezone)
    titles = {t.id: t.title for t in config.tank}
    console.print(f"[bold]{config.site.name}, {year.YEAR}[/]: what went wrong, and what the phone said\n")
    # What went wrong on a day stands before what was said on it.
    story = [(p.from_day, 0, f"[italic]{titles[p.tank]}: {p.what}[/]", "") for p in year.PLANTED]
    for m in told:
        day = local_day(m.at_s, zone)
        story.append((day, 1, f"[bold]{m.title}[/], {m.priority}", m.body))
    for day, _, heading, said in sorted(story, key=lambda entry: entry[:2]):
        console.print(f"{day:%d %b}  {heading}", highlight=False)
        if said:
            console.print(Padding(Text(said), (0, 0, 1, 8), expand=False), width=min(console.width, 100))


def _live(console: Console, text: str, folder: Path, port: int, recent: list[Event]) -> int:
    clock = SystemClock()
    now_s = clock.wall_s()
    text = _simulated(text, now_s - clock.mono_s(), port, now_s)
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "config.toml"
    file.write_text(text + f'\n[storage]\nfolder = "{folder.resolve()}"\n')
    file.chmod(0o600)
    config = configuration.load(file)
    for old in folder.glob(f"{offline.JOURNAL_NAME}*"):
        old.unlink()
    past = track(
        _until(recent, now_s), "its last months into the journal", total=len(recent), console=console, transient=True
    )
    offline.fill(config, folder, past, now_s)
    console.print(f"live on simulated probes. The page: http://127.0.0.1:{port}/")
    console.print("It asks once for a code; the line 'page=setup' below tells it. In another terminal:")
    for command in ("status", "record test --tank foyer nitrate=25 ph=7.0", "summary"):
        console.print(f"  rushlight {command} --config {file}", soft_wrap=True)  # to be copied, so never broken
    console.print("Ctrl-C ends it.")
    logs.set_up("WARNING")
    service = Service(config, folder)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop.set())
    return service.run()


def _simulated(text: str, offset_s: float, port: int, now_s: float) -> str:
    """The demo's configuration with simulated probes in place of none."""
    zone = local_time(now_s, year.ZONE).utcoffset() or dt.timedelta()
    driver = f'driver = "simulated"\noffset_s = {offset_s:.3f}\nzone_s = {zone.total_seconds():.1f}'
    text = text.replace("every_seconds = 300", f"every_seconds = 10\n{driver}")
    return f"{text}\n[page]\nport = {port}\n\n[heartbeat]\naccept_none = true\n"


def _until(events: Iterable[Event], now_s: float) -> Iterator[Event]:
    """The year's last weeks, moved by whole days so that they end now."""
    shift_s = (now_s - year.local(12, 31, 24)) // DAY_S * DAY_S + DAY_S
    for event in events:
        moved = dataclasses.replace(event, at_s=event.at_s + shift_s)
        if moved.at_s <= now_s:
            yield moved
