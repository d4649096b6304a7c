"""`rushlight demo`: an invented year through the real core in seconds, then the daemon live on simulated probes."""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import logging
import secrets
import signal
import socket
import sys
import zoneinfo
from collections.abc import Iterable, Iterator
from importlib import resources
from pathlib import Path

import click
from rich.console import Console
from rich.padding import Padding
from rich.progress import track
from rich.text import Text

from rushlight.cli.common import fail
from rushlight.clock import SystemClock
from rushlight.config import loading as configuration
from rushlight.core.step import Core
from rushlight.demo import staff, year
from rushlight.effects import AlarmChange, Daily, Effect, Message
from rushlight.events import Event, Reading, Test
from rushlight.host import logs
from rushlight.localtime import DAY_S, local_date, local_day, local_time
from rushlight.service import control, offline
from rushlight.service.service import Service
from rushlight.settings import Config
from rushlight.web.serving.access import FILE_NAME, Access

_LIVE_DAYS = 120
"""So much of the year's end is lived through again before the live start, so that estimates and causes have a past."""
_EARLIER_EVERY = 6
"""Of what the probes said before that, every sixth reading is kept: enough for a year's timeline."""
_EARLIER_OCCURRENCES = 1000
"""Alarms of the earlier months are numbered apart from those that the live months count anew."""
_PLANTS = ("sedge", "mint", "watercress", "papyrus", "jenny", "rushlight")


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
@click.option(
    "--push",
    metavar="ADDRESS",
    help="Address of a push topic of yours, to try a real push: its last part is the topic.",
)
def demo(folder: Path, port: int, push: str | None, *, no_live: bool) -> None:
    """Replay an invented year of two tanks in a library, tell what was said and when, then go on live.

    Uses nothing but this machine: SQLite and simulated probes.

    \b
    rushlight demo
    rushlight demo --no-live
    rushlight demo --push https://push.example.org/a-topic-of-mine

    Exit status: 0 done; 1 a worker died while live, or the demonstration runs already; 2 the address is no address.
    """  # noqa: D301
    console = Console(highlight=False)
    pushing = _push(push) if push else ""
    if not no_live:
        _alone(folder, port)
    text = resources.files("rushlight.demo").joinpath("rowan_street.toml").read_text()
    config = configuration.check(configuration.parse(text + year.PHONE))
    past = _tell_year(console, config)
    if not no_live:
        raise SystemExit(_live(console, text + pushing, folder, port, past))


def _push(address: str) -> str:
    """The section for an address whose last part is the topic; leaves with 2 where it is none."""
    server, _, topic = address.rpartition("/")
    if not server.startswith(("http://", "https://")) or not topic or server.endswith("/") or '"' in address:
        fail(f"--push: expected an address such as https://push.example.org/a-topic-of-mine, got {address!r}", status=2)
    return f'\n[push]\nserver = "{server}"\ntopic = "{topic}"\n'


def _alone(folder: Path, port: int) -> None:
    """Leaves with 1 where a demonstration runs already, before a year is played for nothing."""
    if folder.is_dir() and control.answers(folder):
        fail(f"the demonstration runs already, in {folder}: http://127.0.0.1:{port}/ ; end that one first, with Ctrl-C")
    with socket.socket() as s:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            s.bind(("127.0.0.1", port))
        except OSError as e:
            fail(f"port {port} is taken ({e.strerror}); name another, such as --port {port + 1}")


@dataclasses.dataclass
class Past:
    """The year behind the live start: its last weeks to be lived again, and what there was and was said before them."""

    recent: list[Event] = dataclasses.field(default_factory=list)
    events: list[Event] = dataclasses.field(default_factory=list)
    effects: list[Effect] = dataclasses.field(default_factory=list)


def _tell_year(console: Console, config: Config) -> Past:
    """Play the year, print what was said, and return it."""
    count = int((year.local(12, 31, 24) - year.local(1, 1)) / year.EVERY_S) * len(config.probe)
    core = Core(config)
    story = track(staff.play(core), "an invented year", total=count, console=console, transient=True)
    effects: list[Effect] = []
    past = Past()
    last_test: dict[str, Event] = {}
    since_s = year.local(12, 31, 24) - (_LIVE_DAYS + 1) * DAY_S
    for n, (event, said) in enumerate(story):
        effects += said
        if event.at_s > since_s:
            past.recent.append(event)
            continue
        past.effects += [e for e in said if isinstance(e, Daily | AlarmChange)]
        if not isinstance(event, Reading) or n // len(config.probe) % _EARLIER_EVERY == 0:
            past.events.append(event)
        if isinstance(event, Test):
            last_test[event.tank] = dataclasses.replace(event, at_s=since_s, id=f"{event.id}-again")
    told = [e for e in effects if isinstance(e, Message)]
    _print_story(console, config, told)
    days = sum(isinstance(e, Daily) for e in effects)
    raised = [e for e in effects if isinstance(e, AlarmChange) and e.state == "unacknowledged" and e.priority == "low"]
    console.print(f"{count:,} readings, {days} tank-days; {len(told)} messages to the phone in the whole year,")
    console.print(f"{len(raised)} alarms of low priority left to the weekly summary.")
    # Without these the live tanks would begin as never tested.
    past.recent = [*last_test.values(), *past.recent]
    past.effects = closed(past.effects, since_s)
    return past


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


def closed(effects: list[Effect], at_s: float) -> list[Effect]:
    """The same with every alarm that still stands ended at `at_s`, and alarms numbered apart from those that follow."""
    last: dict[tuple[str, int], AlarmChange] = {}
    apart: list[Effect] = []
    for effect in effects:
        if isinstance(effect, AlarmChange):
            numbered = dataclasses.replace(effect, occurrence=effect.occurrence - _EARLIER_OCCURRENCES)
            last[numbered.id, numbered.occurrence] = numbered
            apart.append(numbered)
        else:
            apart.append(effect)
    open_ = [c for c in last.values() if c.state not in {"normal", "returned"}]
    return [*apart, *(dataclasses.replace(c, state="normal", at_s=at_s, text="") for c in open_)]


def moved(effect: Effect, shift_s: float) -> Effect:
    """An effect so much later; a day takes the date that it then is."""
    later = dataclasses.replace(effect, at_s=effect.at_s + shift_s)
    if isinstance(later, Daily):
        return dataclasses.replace(later, date=local_date(later.at_s - 0.5 * DAY_S, year.ZONE))
    return later


def _live(console: Console, text: str, folder: Path, port: int, past: Past) -> int:
    clock = SystemClock()
    now_s = clock.wall_s()
    text = _simulated(text, now_s - clock.mono_s(), port, now_s)
    folder.mkdir(parents=True, exist_ok=True)
    file = folder.resolve() / "config.toml"
    file.write_text(text + f'\n[storage]\nfolder = "{folder.resolve()}"\n')
    file.chmod(0o600)
    config = configuration.load(file)
    for old in (*folder.glob(f"{offline.JOURNAL_NAME}*"), *folder.glob(f"{FILE_NAME}*")):
        old.unlink()
    shift_s = _shift_s(now_s)
    offline.lay_down(
        config,
        folder,
        [dataclasses.replace(e, at_s=e.at_s + shift_s) for e in past.events],
        [moved(e, shift_s) for e in past.effects],
        now_s,
    )
    lived = track(
        _until(past.recent, now_s),
        "its last months, lived again",
        total=len(past.recent),
        console=console,
        transient=True,
    )
    offline.fill(config, folder, lived, now_s)
    _greet(console, config, folder, file, port)
    logs.set_up("WARNING")
    service = Service(config, folder)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop.set())
    return service.run()


def _greet(console: Console, config: Config, folder: Path, file: Path, port: int) -> None:
    """The address that lets a browser in, what to try there, and commands that work as they are printed."""
    clock = SystemClock()
    logging.disable(logging.WARNING)  # the code that it would tell is spent at once
    access = Access(folder, clock.wall_s, clock.mono_s)
    logging.disable(logging.NOTSET)
    passphrase = f"{secrets.choice(_PLANTS)} and {secrets.choice(_PLANTS)} {secrets.randbelow(9000) + 1000}"
    access.set_passphrase(access.code, passphrase, "this machine", "demonstration")
    program = Path(sys.argv[0]).absolute() if "/" in sys.argv[0] else "rushlight"
    site = f"http://127.0.0.1:{port}"
    say = functools.partial(console.print, soft_wrap=True)  # to be copied, so never broken
    say("\n[bold]Live on simulated probes.[/] Open this once; it lets the browser in:")
    say(f"  {site}/join/{access.make_link()}")
    say(f"Later, and from another browser: {site}/  with the passphrase  {passphrase}")
    say(f"The year: {site}/tanks/foyer?stretch=year")
    say("Try: touch a sign in the row of alarms; open 'Try another feed, other hours of lamp light or a water")
    say("change' under the forecast, give 40 under 'A water change now' and see it drawn beside it.")
    say("In another terminal:")
    for command in ("status", "record test --tank foyer nitrate=25 ph=7.0", "summary"):
        say(f"  {program} {command} --config {file}")
    if config.push.set_up:
        say(f"A real push, now: {program} check --no-probes --send --config {file}")
    say("Ctrl-C ends it.")


def _simulated(text: str, offset_s: float, port: int, now_s: float) -> str:
    """The demo's configuration with simulated probes in place of none."""
    zone = local_time(now_s, year.ZONE).utcoffset() or dt.timedelta()
    driver = f'driver = "simulated"\noffset_s = {offset_s:.3f}\nzone_s = {zone.total_seconds():.1f}'
    text = text.replace("every_seconds = 300", f"every_seconds = 10\n{driver}")
    return f"{text}\n[page]\nport = {port}\n\n[heartbeat]\naccept_none = true\n"


def _shift_s(now_s: float) -> float:
    """By so many whole days the year is moved, so that it ends now."""
    return (now_s - year.local(12, 31, 24)) // DAY_S * DAY_S + DAY_S


def _until(events: Iterable[Event], now_s: float) -> Iterator[Event]:
    """The year's last weeks, moved so that they end now."""
    shift_s = _shift_s(now_s)
    for event in events:
        moved = dataclasses.replace(event, at_s=event.at_s + shift_s)
        if moved.at_s <= now_s:
            yield moved
