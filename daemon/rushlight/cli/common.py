"""What several commands share: finding the configuration and the data folder, and saying what went wrong."""

from __future__ import annotations

import os
import re
import shlex
import sys
from pathlib import Path
from typing import NoReturn

import click

from rushlight.config import loading as configuration
from rushlight.service.starting import last_good
from rushlight.settings import Config

_PLACES = (Path("config.toml"), Path("/etc/rushlight/config.toml"))

config_option = click.option(
    "--config",
    "-c",
    "config_file",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar="RUSHLIGHT_CONFIG",
    help="Configuration file.  [default: ./config.toml, then /etc/rushlight/config.toml]",
)


def find_config(config_file: Path | None) -> Path:
    """The file given, else the one in the usual places; says so and exits with 2 where there is none."""
    file = config_file or next((p for p in _PLACES if p.exists()), None)
    if file is None:
        fail("no configuration found; give one with --config, or copy config.example.toml to config.toml", status=2)
    return file


def load_config(config_file: Path | None) -> Config:
    """The checked configuration; on any fault says all of them and exits with 2."""
    try:
        return configuration.load(find_config(config_file))
    except configuration.ConfigError as e:
        fail(str(e), status=2)


def config_in_use(config_file: Path | None) -> Config:
    """The configuration that the daemon runs with: the file's, or the last good one while that has faults.

    Says so on standard error; exits with 2 when there is neither.
    """
    file = find_config(config_file)
    try:
        chosen = last_good.choose(file, usual_folder(last_good.folder_of(file)))
    except configuration.ConfigError as e:
        fail(str(e), status=2)
    if chosen.refused:
        click.echo(f"note: {chosen.refused}", err=True)
    return chosen.config


def undoing(entry: str, config_file: Path | None) -> str:
    """How an entry is taken back, as it may be typed: by the same program, of the same configuration."""
    own = Path(sys.argv[0])
    found = own.name != "rushlight" or str(own.parent) in os.environ.get("PATH", "").split(os.pathsep)
    words = ["rushlight" if found else str(own.absolute()), "undo", entry]
    words += ["--config", str(config_file)] if config_file else []
    return f"Undo: {shlex.join(words)}"


def data_folder(config: Config) -> Path:
    """Where the journal lives."""
    return usual_folder(Path(config.storage.folder) if config.storage.folder else None)


def usual_folder(named: Path | None) -> Path:
    """The data folder that is named, else the service manager's, else the one in the home folder."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    return named or (Path(given) if given else Path.home() / ".local/share/rushlight")


def fail(text: str, *, status: int = 1) -> NoReturn:
    """Say what is wrong on standard error and leave."""
    click.echo(text, err=True)
    sys.exit(status)


def as_typed(complaint: str) -> str:
    """A complaint about an entry by what was typed: `nitrate` where an event's line says `values.nitrate`."""
    return re.sub(r"^(?:line: |(?:replacement|values|units|dilution_source)\.)+", "", complaint)
