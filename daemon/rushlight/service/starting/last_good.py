"""The last configuration that the daemon ran with, kept so that a slip of the pen leaves no tank unwatched.

Owns the copy in the data folder: written once the daemon is up with a configuration, used at a start whose
configuration has faults.  Whoever uses it says so; nothing here tells anybody.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from rushlight.config import loading as configuration
from rushlight.config.loading import ConfigError
from rushlight.settings import Config

NAME = "config.last-good.toml"


@dataclass(frozen=True, slots=True)
class Chosen:
    """The configuration to run with.

    `text` is what it was read from, to be kept once the daemon is up; empty when it is the kept one.  `refused` says
    in one sentence why the given file is not used; empty when it is.
    """

    config: Config
    text: bytes = b""
    refused: str = ""


def choose(file: Path, folder: Path) -> Chosen:
    """The configuration in `file`, or the last good one in `folder` where that has faults.

    Raises ConfigError, that of `file`, when there is no last good one.
    """
    text = b""
    with contextlib.suppress(OSError):
        text = file.read_bytes()
    try:
        return Chosen(configuration.load(file), text)
    except ConfigError as fault:
        try:
            kept = configuration.load(folder / NAME)
        except ConfigError:
            raise fault from None
        return Chosen(kept, refused=sentence(file, fault))


def sentence(file: Path, fault: ConfigError) -> str:
    """What is wrong with the file, in short; the whole list is for `rushlight check`."""
    first, count = fault.faults[0], len(fault.faults)
    more = f" (and {count - 1} more)" if count > 1 else ""
    return f"{file} is not used, the last good configuration is: {first}{more}"


def folder_of(file: Path) -> Path | None:
    """Where the data would be, by what can still be read of a file that may be broken; None: not said there."""
    try:
        return Path(configuration.parse(file.read_bytes())["storage"]["folder"])
    except (OSError, ConfigError, KeyError, TypeError):
        return None


def keep(text: bytes, folder: Path) -> None:
    """Keep the text of a configuration that the daemon came up with; readable by its user alone.  Raises OSError."""
    file = folder / NAME
    if not text or (file.exists() and file.read_bytes() == text):
        return
    beside = file.with_suffix(".new")
    with contextlib.suppress(FileNotFoundError):
        beside.unlink()
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())
    beside.replace(file)
