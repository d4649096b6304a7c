"""What several commands share: finding the configuration and the data folder, and saying what went wrong."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import NoReturn

import click

from rushlight import config as configuration
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


def load_config(config_file: Path | None) -> Config:
    """The checked configuration; on any fault says all of them and exits with 2."""
    file = config_file or next((p for p in _PLACES if p.exists()), None)
    if file is None:
        fail("no configuration found; give one with --config, or copy config.example.toml to config.toml", status=2)
    try:
        return configuration.load(file)
    except configuration.ConfigError as e:
        fail(str(e), status=2)


def data_folder(config: Config) -> Path:
    """Where the journal lives."""
    named = config.storage.folder or os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(named) if named else Path.home() / ".local/share/rushlight"


def fail(text: str, *, status: int = 1) -> NoReturn:
    """Say what is wrong on standard error and leave."""
    click.echo(text, err=True)
    sys.exit(status)
