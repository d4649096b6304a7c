"""The first configuration for this machine: looks at devices, listens to ports, asks, and gives the proposal's text.

Run as `python -m rushlight.guide.first`; the configuration goes to standard output, questions to standard error.
Writes no file.
"""

from __future__ import annotations

import argparse
import sys
import threading
import zoneinfo
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rushlight.clock import Clock, SystemClock
from rushlight.config import loading as configuration
from rushlight.guide import first_questions, touch, wizard
from rushlight.guide.dialogue import Dialogue, on_terminal
from rushlight.guide.wizard import Answers, Board
from rushlight.service.starting.heard import Live
from rushlight_drivers import LinkError, discover
from rushlight_drivers.discover import Proposal
from rushlight_drivers.links.serialport import SerialOptions, SerialPort


def timezone(root: Path = Path("/")) -> str:
    """The system's time zone: /etc/timezone, else where /etc/localtime points, else UTC."""
    zones = zoneinfo.available_timezones()
    try:
        named = (root / "etc/timezone").read_text().strip()
    except OSError:
        named = ""
    if named not in zones:
        link = root / "etc/localtime"
        named = str(link.readlink()).partition("zoneinfo/")[2] if link.is_symlink() else ""
    return named if named in zones else "UTC"


def main(arguments: Sequence[str] | None = None) -> None:
    """Write a proposed configuration to standard output."""
    parser = argparse.ArgumentParser(
        prog="python -m rushlight.guide.first", description="Propose a first configuration."
    )
    parser.add_argument("--root", type=Path, default=Path("/"), help="where /sys, /dev and /etc are")
    parser.add_argument("--data-folder", default="", help="where the journal will live")
    parser.add_argument("--ask", action="store_true", help="ask on the terminal for what can't be found")
    parser.add_argument("--listen-seconds", type=float, default=25.0, help="how long to hear each serial port out")
    given = parser.parse_args(arguments)
    talk = Dialogue(on_terminal, sys.stderr.write) if given.ask else None
    sys.stdout.write(first_configuration(talk, given.data_folder, given.root, given.listen_seconds))


def first_configuration(talk: Dialogue | None, data_folder: str, root: Path = Path("/"), listen_s: float = 25.0) -> str:
    """A first configuration for this machine as TOML; `talk` None: nothing is asked."""
    answers = Answers(timezone=timezone(root), data_folder=data_folder)
    if talk is not None:
        answers = first_questions.ask_all(talk, answers)
    found = discover.discover(root)
    heard = listen(found.proposals, listen_s)
    homes, dose = dict[str, str](), frozenset[str]()
    if talk is not None:
        probes, tanks = wizard.with_boards(found.proposals, heard), wizard.tank_ids(answers.tanks)
        names = dict(zip(tanks, (t.name for t in answers.tanks), strict=True))
        clock = SystemClock()
        homes = touch.homes(talk, probes, names, ears(clock), clock)
        dose = first_questions.ask_dose(talk, probes, tanks, homes)
    return wizard.propose(found, answers, heard, homes, dose)


def ears(clock: Clock) -> touch.Hear:
    """What hears proposed probes through their own drivers, before any daemon does."""

    @contextmanager
    def hear(probes: Sequence[Proposal]) -> Iterator[Live]:
        answers = Answers()
        text = wizard.propose(discover.Findings(proposals=tuple(probes)), answers)
        with Live(configuration.check(configuration.parse(text)).probe, clock) as live:
            yield live

    return hear


def listen(proposals: Sequence[Proposal], seconds: float) -> dict[str, Board]:
    """By port the boards of ours that are heard within so many seconds each."""
    ports = [str(p.options["port"]) for p in proposals if "port" in p.options]
    return {port: board for port in ports if (board := _listen(port, seconds)) is not None}


def _listen(port: str, seconds: float) -> Board | None:
    """The board behind a port, if it speaks our firmware's lines within `seconds`."""
    sys.stderr.write(f"listening to {port} for up to {seconds:.0f} s\n")
    clock = SystemClock()
    serial_port = SerialPort(SerialOptions(port=port, settle_s=0.0), clock.mono_s, threading.Event())
    until_s, stream = clock.mono_s() + seconds, b""
    try:
        serial_port.open()
        # The first line end only marks where lines begin; two whole ones show what is sent each time.
        while clock.mono_s() < until_s and not (wizard.board_in(stream) and stream.count(b"\n") >= 3):
            stream += serial_port.read(min(until_s, clock.mono_s() + 1.0))
    except LinkError as e:
        sys.stderr.write(f"{e}\n")
    finally:
        serial_port.close()
    return wizard.board_in(stream)


if __name__ == "__main__":
    main()
