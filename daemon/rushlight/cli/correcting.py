"""Commands about what was entered: list it, put an entry right, take one back."""

from __future__ import annotations

import uuid
import zoneinfo
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from rushlight import eventlines
from rushlight.cli import asking
from rushlight.cli.common import as_typed, config_in_use, config_option, data_folder, fail, undoing
from rushlight.cli.recording import changes_of, said_of
from rushlight.clock import SystemClock
from rushlight.entry import entered
from rushlight.entry.receipt import Receipt
from rushlight.localunits import Units
from rushlight.service import offline
from rushlight.settings import Config

_DIGITS_OF_ID = 8
"""An id may be given by its beginning."""


@click.command()
@click.option("--tank", "-t", help="Those about this tank only.")
@config_option
def entries(tank: str | None, config_file: Path | None) -> None:
    """List the last entries, newest first, each with its id.

    \b
    rushlight entries
    rushlight entries --tank foyer

    Exit status: 0 listed; 1 the journal can't be read; 2 there is no such tank.
    """  # noqa: D301
    config = config_in_use(config_file)
    if tank is not None and tank not in {t.id for t in config.tank}:
        fail(f"--tank: no tank called {tank!r}; one of {', '.join(t.id for t in config.tank)}", status=2)
    zone = zoneinfo.ZoneInfo(config.site.timezone)
    found = _found(config, tank)
    for line in found:
        event = eventlines.parse_record(dict(line))
        click.echo(f"{event.id}  {said_of(event, config, zone)}")
    if not found:
        click.echo("Nothing has been entered yet.")


@click.command()
@click.argument("entry")
@click.argument("pairs", nargs=-1, required=True, metavar="KEY=VALUE...")
@click.option("--at", "when", help="When it was done, if that is what was wrong.")
@config_option
def edit(entry: str, pairs: tuple[str, ...], when: str | None, config_file: Path | None) -> None:
    """Put ENTRY (its id, or how that begins) right: what is named changes, all else stays as it was entered.

    \b
    rushlight edit 3f2a91c4 nitrate=25
    rushlight edit 3f2a91c4 grams=0.9 note='weighed'
    rushlight edit 3f2a91c4 fraction=30% --at '2026-03-01 18:30'

    KEY= with nothing after it takes a key out.

    Exit status: 0 on the disk; 1 it could not be stored; 2 the entry is not there, or would be wrong;
    3 it acts, but is in memory only; 4 no answer came, so it is not known.
    """  # noqa: D301
    config = config_in_use(config_file)
    event = _one(config, entry)
    changes = changes_of(event, pairs, when, config, SystemClock().wall_s())
    own_id = str(uuid.uuid4())
    try:
        receipt = _edited(config, event.id, changes, own_id)
    except (RuntimeError, ValueError) as e:
        fail(as_typed(str(e)), status=2)
    except OSError as e:
        fail(f"not stored: the daemon is not running and {data_folder(config)} can't be written ({e})")
    asking.report(receipt, event.id, undoing(event.id, config_file))


@click.command()
@click.argument("entry")
@config_option
def undo(entry: str, config_file: Path | None) -> None:
    """Take ENTRY (its id, or how that begins) back, as if it had never been entered.

    \b
    rushlight undo 3f2a91c4

    Exit status: 0 on the disk; 1 it could not be stored; 2 the entry is not there;
    3 it acts, but is in memory only; 4 no answer came, so it is not known.
    """  # noqa: D301
    config = config_in_use(config_file)
    event = _one(config, entry)
    line: dict[str, Any] = {"kind": "correction", "id": str(uuid.uuid4()), "of": event.id, "void": True}
    line["at"] = eventlines.rfc3339(SystemClock().wall_s())
    try:
        receipt = asking.or_write(
            config,
            lambda: asking.enter(config, line, now=True),
            lambda: offline.record(config, data_folder(config), eventlines.parse_record(dict(line))),
        )
    except RuntimeError as e:
        fail(f"not stored: {e}")
    except OSError as e:
        fail(f"not stored: the daemon is not running and {data_folder(config)} can't be written ({e})")
    asking.report(receipt, event.id, said=f"Undone: {entered.of_event(event, Units(config.site.units))}")


def _found(config: Config, tank: str | None) -> list[dict[str, Any]]:
    try:
        answer = asking.ask_or_none(config, do="entries", tank=tank)
        if answer is not None:
            return list(answer["entries"])
        return offline.entries_of(data_folder(config), tank)
    except (RuntimeError, OSError) as e:
        fail(f"the entries can't be read: {e}")


def _one(config: Config, entry: str) -> Any:
    """The entry that is meant; leaves with 2 where none is, or several are."""
    found = _found(config, None)
    whole = [e for e in found if e["id"] == entry]
    if not whole and len(entry) >= _DIGITS_OF_ID:
        whole = [e for e in found if str(e["id"]).startswith(entry)]
    if len(whole) > 1:
        fail(f"{entry}: several entries begin like this; give more of the id", status=2)
    if not whole:
        fail(f"{entry}: no such entry among the last ones; 'rushlight entries' lists them with their ids", status=2)
    return eventlines.parse_record(dict(whole[0]))


def _edited(config: Config, of: str, changes: Mapping[str, Any], own_id: str) -> Receipt:
    return asking.or_write(
        config,
        lambda: asking.edit(config, of, changes, own_id),
        lambda: offline.record_edit(config, data_folder(config), of, changes, own_id),
    )
