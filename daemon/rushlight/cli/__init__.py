"""The commands.  Each file parses and prints; the doing is in the rooms below.

Exit statuses, the same for all: 0 done; 1 it did not work (the daemon is not running, a send failed); 2 the
request or the file was wrong.
"""

from __future__ import annotations

import importlib
from typing import Any

import click

from rushlight import __version__

_COMMANDS = {
    "run": "running:run",
    "check": "running:check",
    "demo": "demonstration:demo",
    "record": "recording:record",
    "status": "looking:status",
    "alarms": "looking:alarms",
    "plan": "planning:plan_",
    "summary": "looking:summary",
    "replay": "files:replay",
    "export": "files:export",
    "import": "files:import_",
    "backfill": "files:backfill",
    "backup": "files:backup",
    "restore": "files:restore",
}


class _Lazy(click.Group):
    """Imports a command when it is asked for, so that `status` does not pay for `run`."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        module, name = _COMMANDS[cmd_name].split(":")
        command = getattr(importlib.import_module(f"rushlight.cli.{module}"), name)
        assert isinstance(command, click.Command)
        return command


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rushlight")
def main(**_: Any) -> None:
    """Watch planted freshwater tanks: light, nitrate, the next test, and what to do first.

    \b
    Try it:      rushlight demo
    On a Pi:     rushlight check --config config.toml && rushlight run --config config.toml
    Write down:  rushlight record test --tank foyer nitrate=25 ph=7.0

    Exit status: 0 done; 1 it did not work; 2 the request or a file was wrong.
    """  # noqa: D301 - \b is click's mark for a paragraph to be left as it is
