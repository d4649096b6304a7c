"""Commands on files: replay, export, import, backup, restore."""

from __future__ import annotations

import contextlib
import datetime as dt
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TextIO

import click

from rushlight import eventlines
from rushlight import replay as replaying
from rushlight.cli.common import config_option, data_folder, fail, load_config


@click.command()
@click.option("--daily", is_flag=True, help="Also write each tank's day at local midnight.")
@click.option("--messages", is_flag=True, help="Also write what would be sent to people.")
@click.argument("events", type=click.File("rb"))
@config_option
def replay(events: TextIO, config_file: Path | None, *, daily: bool, messages: bool) -> None:
    """Run EVENTS (JSON Lines; - for standard input) through the core in simulated time.

    Writes alarms, test dates and, with --daily, each day's figures as JSON Lines to standard output.  With
    --messages also what would be sent to people; to one person with a phone, where no channel is set up.  Starts from
    nothing, touches no device, no network and no data folder; the same input gives the same output.

    \b
    rushlight replay --config config.toml journal.jsonl
    rushlight export | rushlight replay --config config.toml --daily - > year.jsonl

    Exit status: 0 done; 2 a bad line or configuration ('line N: key: what is wrong').
    """  # noqa: D301
    config = load_config(config_file)
    out = sys.stdout
    try:
        with _progress(events) as lines:
            for text in replaying.replay(config, lines, daily=daily, messages=messages):
                out.write(text + "\n")
    except eventlines.LineError as e:
        out.flush()
        fail(str(e), status=2)
    except BrokenPipeError:
        sys.stderr.close()  # whoever read us has enough; nothing to say


@contextlib.contextmanager
def _progress(file: TextIO) -> Iterator[Iterable[str]]:
    """A bar on standard error when that is a terminal, nothing otherwise."""
    if not sys.stderr.isatty() or not file.seekable():
        yield file
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    size = file.seek(0, 2)
    file.seek(0)
    columns = (TextColumn("replay"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("replay", total=size)
        yield _counted(file, lambda n: progress.advance(task, n))


def _counted(file: TextIO, advance: Callable[[int], None]) -> Iterator[str]:
    done = 0
    for n, line in enumerate(file):
        done += len(line)
        if n % 5000 == 0:
            advance(done)
            done = 0
        yield line


def _moment(_ctx: click.Context, _param: click.Parameter, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return eventlines.unix_s(text)
    except eventlines.LineError:
        with contextlib.suppress(ValueError):
            return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC).timestamp()
    raise click.BadParameter("expected a date such as 2026-03-01 or a time such as 2026-03-01T12:00:00Z")


FORMATS = ("events", "senml", "csv")
_FOLDER = click.Path(path_type=Path, file_okay=False, exists=True)


@click.command()
@click.option("--since", callback=_moment, help="From this moment on (date or RFC 3339).")
@click.option("--until", callback=_moment, help="Up to this moment.")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="events",
    show_default=True,
    help="senml and csv carry readings alone.",
)
@click.option("--output", "-o", type=click.File("w"), default="-", help="File to write.  [default: standard output]")
@click.option("--pictures", type=_FOLDER, help="Also copy the diary's pictures into `pictures` in this folder.")
@config_option
def export(
    since: float | None,
    until: float | None,
    form: str,
    output: TextIO,
    pictures: Path | None,
    config_file: Path | None,
) -> None:
    """Write the journal as event lines, ordered by the time things were done.

    \b
    rushlight export > journal.jsonl
    rushlight export --pictures . > journal.jsonl
    rushlight export --since 2026-03-01 --format csv -o readings.csv

    Of a damaged journal what can be read is written; the daemon saves more of it when it is started.

    Exit status: 0 done; 1 there is no journal, or not all of it could be read; 2 the configuration is wrong.
    """  # noqa: D301
    from rushlight.service import offline

    config = load_config(config_file)
    try:
        offline.export(
            config, data_folder(config), output, since_s=since, until_s=until, form=form, pictures_to=pictures
        )
    except FileNotFoundError as e:
        fail(f"there is no journal yet: {e}")
    except OSError as e:
        fail(f"not all of it is written: {e}")


@click.command(name="import")
@click.option("--format", "form", type=click.Choice(FORMATS), default="events", show_default=True)
@click.option("--pictures", type=_FOLDER, help="Folder whose `pictures` an export wrote: take those too.")
@click.argument("file", type=click.File("r", encoding="utf-8", errors="surrogateescape"))  # so that the line is named
@config_option
def import_(file: TextIO, form: str, pictures: Path | None, config_file: Path | None) -> None:
    """Take event lines from FILE into the journal; entries that are there already stay one entry.

    The whole file is checked first; a bad line changes nothing.  Stop the daemon before importing.

    \b
    rushlight import journal.jsonl

    Exit status: 0 done; 1 the daemon is running or the journal can't be written; 2 a bad line.
    """  # noqa: D301
    from rushlight.service import offline
    from rushlight.service.starting import claim

    config = load_config(config_file)
    if claim.watcher(data_folder(config)) is not None:
        fail("nothing was imported: the daemon runs here and holds the journal; stop it first")
    try:
        count = offline.import_lines(config, data_folder(config), file, form=form, pictures_from=pictures)
    except eventlines.LineError as e:
        fail(str(e), status=2)
    except OSError as e:
        fail(f"can't write the journal: {e}")
    click.echo(f"{count} new")


@click.command()
@click.option("--to", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder for the copy.")
@config_option
def backup(folder: Path | None, config_file: Path | None) -> None:
    """Copy the journal safely, while the daemon runs, and verify the copy; the diary's pictures with it.

    The folder has to be there: a stick that is not mounted would otherwise get its copy on the card.

    \b
    rushlight backup
    rushlight backup --to /mnt/stick/rushlight

    Exit status: 0 the copy is verified (its name is printed); 1 it could not be made.
    """  # noqa: D301
    from rushlight.service import offline

    config = load_config(config_file)
    try:
        made = offline.backup(config, data_folder(config), folder)
    except (OSError, RuntimeError) as e:
        fail(f"no backup made: {e}")
    click.echo(made)


@click.command()
@click.argument("copy", type=click.Path(path_type=Path, dir_okay=False, exists=True), required=False)
@click.option(
    "--replace", is_flag=True, help="Set the present journal aside (kept under another name) if there is one."
)
@config_option
def restore(copy: Path | None, config_file: Path | None, *, replace: bool) -> None:
    """Put a backup in the journal's place, and the pictures that lie beside it; stop the daemon first.

    Without COPY it is the newest one in the folder to which the daemon backs up.

    \b
    rushlight restore --replace
    rushlight restore /mnt/stick/rushlight/journal-20260301T033000Z.sqlite
    rushlight restore --replace /mnt/stick/rushlight/journal-20260301T033000Z.sqlite

    Exit status: 0 restored; 1 refused, with the reason.
    """  # noqa: D301
    from rushlight.service import offline

    config = load_config(config_file)
    try:
        said = offline.restore(config, data_folder(config), copy, replace=replace)
    except (OSError, RuntimeError) as e:
        fail(f"not restored: {e}")
    click.echo(said)


@click.command()
@click.option("--since", callback=_moment, help="From this moment on (date or RFC 3339).")
@click.option("--until", callback=_moment, help="Up to this moment.")
@config_option
def backfill(since: float | None, until: float | None, config_file: Path | None) -> None:
    """Send the journal's history to the time-series store again; what is there already stays one point.

    \b
    rushlight backfill
    rushlight backfill --since 2026-03-01

    Exit status: 0 sent; 1 the store did not take it, with the reason; 2 no store is configured.
    """  # noqa: D301
    from rushlight.outlets.timeseries.feed import StoreError
    from rushlight.service import feeds

    config = load_config(config_file)
    if not config.timeseries.url:
        fail("no time-series store is configured; set [timeseries]", status=2)
    try:
        sent = feeds.backfill(config, data_folder(config), since_s=since, until_s=until)
    except (StoreError, OSError) as e:
        fail(f"not sent: {e}")
    click.echo(f"{sent} points sent")
