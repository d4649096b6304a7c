"""The commands.  Each file parses and prints; the doing is in the rooms below.

Exit statuses, the same for all: 0 done; 1 it did not work (the daemon is not running, a send failed); 2 the
request or the file was wrong.

Imports alarms, clock, config, core, demo, effects, entry, eventlines, events, guide, host, localtime, localunits,
outlets, replay, science, service, settings, tank.probes, views, web, PIL, click, gc, subprocess, getpass, pydantic,
rich, secrets, shlex, signal, socket.
"""

from __future__ import annotations

import gc
import importlib
from types import ModuleType
from typing import Any

import click

from rushlight import __version__

_COMMANDS = {
    "run": ("running:run", "Run the daemon until it is told to stop."),
    "setup": ("guiding:setup", "Guided: from an installed program to a confirmed push."),
    "check": ("running:check", "Check configuration, probes and, when asked, channels."),
    "demo": ("demonstration:demo", "An invented year in seconds, then live."),
    "record": ("recording:record", "Write down a test, a feeding, a water change …"),
    "entries": ("correcting:entries", "The last entries, with their ids."),
    "edit": ("correcting:edit", "Put an entry right."),
    "undo": ("correcting:undo", "Take an entry back."),
    "status": ("reports:status", "Each tank, its alarms, and how news leaves the house."),
    "alarms": ("reports:alarms", "List alarms; acknowledge one or put it aside."),
    "plan": ("planning:plan_", "How much water to change to reach a target."),
    "summary": ("reports:summary", "The weekly summary, now."),
    "replay": ("transfer:replay", "Run event lines through the core in simulated time."),
    "export": ("transfer:export", "Write the journal as event lines."),
    "import": ("transfer:import_", "Take event lines into the journal."),
    "backfill": ("transfer:backfill", "Send the history to the time-series store again."),
    "backup": ("transfer:backup", "Copy the journal and verify the copy."),
    "restore": ("transfer:restore", "Put a backup in the journal's place."),
}
"""Each with where it is and what it is for, in a line of a narrow terminal."""


class _Lazy(click.Group):
    """Imports a command when it is asked for, so that `status` does not pay for `run`."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        place, command_help = _COMMANDS[cmd_name]
        module, name = place.split(":")
        command = getattr(_imported(f"rushlight.cli.{module}"), name)
        assert isinstance(command, click.Command)
        command.short_help = command_help
        return command


def _imported(module: str) -> ModuleType:
    """Nothing that an import makes goes away again, and to look for garbage all the while takes a sixth of its time."""
    gc.disable()
    try:
        return importlib.import_module(module)
    finally:
        gc.freeze()
        gc.enable()


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rushlight")
def main(**_: Any) -> None:
    """Watch planted freshwater tanks: light, nitrate, the next test, and what to do first.

    \b
    Try it:      rushlight demo
    On a Pi:     rushlight check --config config.toml && rushlight run --config config.toml
    Write down:  rushlight record test --tank foyer nitrate=25 ph=7.0

    Exit status: 0 done; 1 it did not work; 2 the request or a file was wrong; 3 kept in memory only; 4 no answer.
    """  # noqa: D301 - \b is click's mark for a paragraph to be left as it is
