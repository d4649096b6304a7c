"""`rushlight setup`: the guided way to a message that a person has in hand."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click

import rushlight
from rushlight import clock
from rushlight.cli.common import config_option, data_folder, fail
from rushlight.config.loading import ConfigError
from rushlight.guide import first
from rushlight.guide.conversation import Place, Session
from rushlight.guide.dialogue import Dialogue, on_terminal

_INSTALLED = Path("/etc/rushlight/config.toml")
_UNIT = "rushlight.service"


@click.command()
@click.option("--again", type=click.Choice(["limits", "phone"]), help="Ask this part anew and change nothing else.")
@config_option
def setup(config_file: Path | None, again: str | None) -> None:
    """Set this installation up, step by step, until a rehearsed alarm is in your hand.

    Asks at most a dozen questions, each with an answer that suits most.  Run it again at any time: what is
    there stays, and only what is missing is asked for. --again limits asks who lives in the tanks, --again phone for
    the push server, and takes a new topic; each changes the lines that it is about.

    \b
    sudo rushlight setup

    Exit status: 0 ready; 1 not ready yet, and why; 2 the configuration is wrong.
    """  # noqa: D301
    file = config_file or _INSTALLED
    if not os.access(file.parent, os.W_OK) and not file.exists():
        fail(f"{file.parent} can't be written: run it with sudo, or name another file with --config", status=2)
    installed = file == _INSTALLED
    place = Place(
        config=file,
        data=data_folder,
        firmware=_firmware(),
        broker=file.parent / "broker",
        first=lambda talk: first.first_configuration(talk, os.environ.get("STATE_DIRECTORY", "") if installed else ""),
        restart=_restart if installed and os.geteuid() == 0 else None,
        clock=clock.SystemClock(),
    )
    talk = Dialogue(on_terminal, lambda text: click.echo(text, nl=False))
    try:
        session = Session(talk, place)
        ready = session.again(again) if again and file.exists() else session.run()
    except ConfigError as e:
        fail(str(e), status=2)
    except (OSError, RuntimeError, subprocess.SubprocessError) as e:
        fail(f"not done: {e}")
    raise SystemExit(0 if ready else 1)


def _firmware() -> Path:
    """Where the boards' files are: beside the installed program, or in the tree that it runs from."""
    beside = Path(sys.prefix) / "share/rushlight/deploy/board"
    return beside if beside.is_dir() else Path(rushlight.__file__).parents[2] / "deploy/board"


def _restart() -> None:
    subprocess.run(["systemctl", "restart", _UNIT], check=True)  # noqa: S603, S607 - the system's own
