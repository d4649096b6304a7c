"""Asking the daemon of this machine, and saying truthfully what is wrong when it does not answer."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from rushlight.cli.common import data_folder, fail
from rushlight.clock import SystemClock
from rushlight.entry import receipt as receipts
from rushlight.entry.receipt import Receipt
from rushlight.service import control
from rushlight.service.starting import claim
from rushlight.settings import Config

_START_S = 30.0
"""A daemon that is starting opens its door within this; on a small board with years to read it may take longer."""
_BETWEEN_S = 0.1
IN_MEMORY, UNKNOWN = 3, 4
"""Exit statuses of a command whose entry is not, or perhaps not, on the disk."""


def ask(config: Config, **request: Any) -> dict[str, Any]:
    """The daemon's answer; one that is starting is waited for.  Leaves with 1 where there is none."""
    try:
        return ask_or_none(config, **request) or fail("the daemon is not running here; start it with: rushlight run")
    except RuntimeError as e:
        fail(str(e))


def ask_or_none(config: Config, **request: Any) -> dict[str, Any] | None:
    """The same; None where no daemon runs.

    Raises RuntimeError: the daemon's words, or that it runs and its door is shut.
    """
    folder, clock, pause = data_folder(config), SystemClock(), threading.Event()
    end_s = clock.mono_s() + _START_S
    while True:
        try:
            return control.ask(folder, **request)
        except control.NotRunningError as e:
            pid = claim.watcher(folder)
            if pid is None:
                if control.answers(folder):  # it came up between the two looks
                    continue
                if e.forbidden:
                    raise RuntimeError(f"{folder} is not yours to look into; ask as the daemon's user") from None
                return None
            if clock.mono_s() >= end_s or e.forbidden:
                raise RuntimeError(_shut(folder, pid, str(e))) from None
            clock.wait(pause, _BETWEEN_S)


def _shut(folder: Path, pid: int, why: str) -> str:
    who = f" (process {pid})" if pid else ""
    return f"a daemon{who} watches {folder}, but its socket can't be reached: {why}"


def report(receipt: Receipt, name: str, *then: str, said: str = "") -> None:
    """Say what became of an entry: `name`, its id, on standard output for programs, all else on standard error; leave.

    `said`: what was understood, else as the daemon understood it; `then`: what may be done next.
    """
    if receipt.kept == "unknown":
        fail(f"{receipt.id}: {receipt.words}", status=UNKNOWN)
    click.echo(f"{name}{'' if receipt.new else ' (it was there already)'}")
    if receipt.new:
        said = said or (f"Understood: {receipt.understood}" if receipt.understood else "")
        for words in filter(None, (said, receipt.changed, *then)):
            click.echo(words, err=True)
    if receipt.kept == "in memory":
        fail(receipt.words, status=IN_MEMORY)


def or_write(config: Config, answered: Callable[[], Receipt | None], write: Callable[[], Receipt]) -> Receipt:
    """The daemon's receipt, or that of a direct write where none runs.  Raises what the two raise.

    A daemon that starts between the two holds the journal, so that the write fails: then it is asked again.  The entry
    has the same identity both times, and is kept once.
    """
    receipt = answered()
    if receipt is not None:
        return receipt
    try:
        return write()
    except OSError:
        if claim.watcher(data_folder(config)) is None or (receipt := answered()) is None:
            raise
        return receipt


def edit(config: Config, of: str, changes: Mapping[str, Any], own_id: str) -> Receipt | None:
    """Have the daemon put an entry right; None where none runs.  Raises RuntimeError: it was refused."""
    try:
        answer = ask_or_none(config, do="edit", of=of, changes=dict(changes), id=own_id)
    except control.NoAnswerError as e:
        return Receipt(own_id, kept="unknown", why=str(e))
    return None if answer is None else receipts.from_record(answer)


def enter(config: Config, line: dict[str, Any], *, now: bool) -> Receipt | None:
    """Hand an entry to the daemon; None where none runs.  Raises RuntimeError: it was refused."""
    try:
        answer = ask_or_none(config, do="record", line=line, now=now)
    except control.NoAnswerError as e:
        return Receipt(str(line["id"]), kept="unknown", why=str(e))
    return None if answer is None else receipts.from_record(answer)
