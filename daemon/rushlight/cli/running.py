"""Commands that start things: run, check."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rushlight import clock
from rushlight.cli import asking
from rushlight.cli.common import config_option, data_folder, fail, find_config, load_config, usual_folder
from rushlight.config.loading import ConfigError
from rushlight.host import logs
from rushlight.service import control
from rushlight.service.service import Service
from rushlight.service.starting import checks, claim, last_good
from rushlight.settings import Config

if TYPE_CHECKING:
    from rich.console import Console


@click.command()
@click.option("--log-level", type=click.Choice(["DEBUG", "INFO", "WARNING"]), default="INFO", show_default=True)
@config_option
def run(config_file: Path | None, log_level: str) -> None:
    """Run the daemon in the foreground until it is told to stop (SIGTERM or Ctrl-C).

    Starts whatever the state of probes, network, broker or disk, and says what is missing.  With a configuration
    that has faults it starts with the last good one, where there is one, and raises an alarm.

    \b
    rushlight run --config config.toml

    Exit status: 0 stopped as told; 1 a worker died; 2 the configuration is wrong, and there is no good one; 3 another
    daemon watches this folder.
    """  # noqa: D301
    file = find_config(config_file)
    try:
        chosen = last_good.choose(file, usual_folder(last_good.folder_of(file)))
    except ConfigError as e:
        fail(str(e), status=2)
    logs.set_up(log_level)
    try:
        service = Service(chosen.config, data_folder(chosen.config), chosen=chosen)
    except OSError as e:
        fail(f"a secret can't be read: {e}", status=2)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop.set())
    try:
        raise SystemExit(service.run())
    except claim.TakenError as e:
        fail(str(e), status=3)


@click.command()
@click.option("--send", is_flag=True, help="Also send a trial message over every configured channel.")
@click.option("--no-probes", is_flag=True, help="Leave the probes alone.")
@click.option("--access-list", is_flag=True, help="Print who needs what at the broker, for its acl_file, and no more.")
@config_option
def check(config_file: Path | None, *, send: bool, no_probes: bool, access_list: bool) -> None:
    """Check the configuration whole, read each probe once, and try each channel when asked.

    While the daemon runs it holds the probes' ports; then it is asked what it last heard from each.

    \b
    rushlight check
    rushlight check --send
    rushlight check --no-probes
    rushlight check --access-list

    Exit status: 0 all well; 1 a probe or channel did not answer; 2 the configuration is wrong.
    """  # noqa: D301
    from rich.console import Console
    from rich.table import Table

    config = load_config(config_file)
    if access_list:
        click.echo("\n".join(checks.access_list(config, data_folder(config))))
        return
    console = Console(highlight=False)
    counted = ", ".join(
        f"{len(things)} {name if len(things) == 1 else name + 's'}"
        for name, things in (("tank", config.tank), ("probe", config.probe), ("kit", config.kit))
    )
    console.print(f"The configuration is sound: {counted}.")
    found = checks.readable_topics(config, find_config(config_file))
    found += [] if no_probes else _probes(config, console)
    found += _trials(config) if send else checks.channels(config, clock.SystemClock(), send=False)
    table = Table(box=None, padding=(0, 2), header_style="dim")
    for column in ("what", "", "said"):
        table.add_column(column, overflow="fold")
    for line in found:
        table.add_row(line.what, "well" if line.well else "NOT WELL", line.said)
    if found:
        console.print(table)
    for warning in checks.warnings(config):
        console.print(f"note: {warning}", markup=False)
    raise SystemExit(0 if all(line.well for line in found) else 1)


def _trials(config: Config) -> list[checks.Line]:
    """A trial by every channel: the running daemon's, so that it remembers it, else one of our own."""
    now, folder = clock.SystemClock(), data_folder(config)
    try:
        return checks.trials(lambda **asked: control.ask(folder, **asked), now, config.site.name)
    except control.NotRunningError:
        return checks.channels(config, now, send=True)
    except RuntimeError as e:
        return [checks.Line("daemon", False, f"runs here, but does not answer: {e}")]


def _probes(config: Config, console: Console) -> list[checks.Line]:
    """The running daemon's word, or each probe read once where no daemon runs."""
    now = clock.SystemClock()
    try:
        answer = asking.ask_or_none(config, do="view")
        if answer is None:
            return checks.probes(config, now)
        found = checks.probes_of_daemon(config, now, lambda: answer["view"])
    except RuntimeError as e:
        return [checks.Line("daemon", False, f"runs here, but does not answer: {e}")]
    console.print("probes: the daemon is running and holds their ports; this is what it heard last", markup=False)
    return found
