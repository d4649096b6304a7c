"""A first configuration, proposed from the probes that are plugged in and a few answers.

Owns the proposal's text.  `propose` is pure: what was found, heard and answered goes in, TOML comes out that
`config.check` accepts.  What is a guess is proposed as a comment, for a person to decide.  Only `main` looks at
devices, listens and asks; nothing here writes a file.

Run as `python -m rushlight.guide.wizard`; the configuration goes to standard output, questions to standard error.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import re
import secrets
import sys
import threading
import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from rushlight.clock import SystemClock
from rushlight.guide import answers as typed
from rushlight_drivers import LinkError, discover
from rushlight_drivers.checksums import crc16_modbus
from rushlight_drivers.discover import BOARD_FIELDS, BOARD_LINES, Findings, Proposal
from rushlight_drivers.framing import Framer
from rushlight_drivers.numerals import number
from rushlight_drivers.serialport import SerialOptions, SerialPort

PADS: Mapping[str, tuple[float, ...]] = {
    "nitrate": (0, 10, 25, 50, 100, 250),
    "nitrite": (0, 0.5, 1, 3, 10),
    "ph": (6.0, 6.5, 7.0, 7.5, 8.0, 8.5),
    "kh": (0, 3, 5, 10, 15, 20),
    "gh": (0, 4, 9, 14, 20),
}
"""An example of what stands beside the pads; each keeper's own strip says what is true for it."""


PUSH_SERVER = "https://ntfy.sh"
"""The public server of the protocol that `outlets.push` speaks; there are servers of one's own as well."""


@dataclass(frozen=True, slots=True)
class Board:
    """A board with this project's firmware, as it was heard: its own name, and which values it sends."""

    name: str
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Water:
    """One tank, as its keeper describes it."""

    name: str = "Tank"
    litres: float = 100.0
    feed_grams: float = 0.5
    started: dt.date | None = None
    """When it was set up; a new tank is tested more often."""
    source: Mapping[str, float] = field(default_factory=dict)
    """What is known of the water that is filled in."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What only the keeper knows; every default is usable."""

    site: str = "At home"
    timezone: str = "UTC"
    tanks: tuple[Water, ...] = (Water(),)
    nitrate_pads: tuple[float, ...] = PADS["nitrate"]
    nitrate_unit: str = ""
    """Empty for a box that says NO3."""
    home_network: bool = False
    """True: phones in the home network may open the page."""
    push_server: str = ""
    push_topic: str = ""
    data_folder: str = ""


def propose(
    found: Findings,
    answers: Answers,
    heard: Mapping[str, Board] | None = None,
    homes: Mapping[str, str] | None = None,
    dose: AbstractSet[str] = frozenset(),
) -> str:
    """The configuration as TOML text.

    `heard` says by port which board of ours is behind it, `homes` by probe id in which tank it is; where that is
    not said, the name decides, and failing that it is the first tank.  `dose` names the light probes that carry a dose.
    """
    tanks = tank_ids(answers.tanks)
    parts = [_head(answers), *(_tank(water, tank_id) for water, tank_id in zip(answers.tanks, tanks, strict=True))]
    parts.append(_kit(answers))
    for probe in with_boards(found.proposals, heard or {}):
        home = (homes or {}).get(probe.id, "")
        carries = {"dose": True} if probe.id in dose else {}
        parts.append(_probe(probe, home or home_of(probe, tanks), carries, asked=bool(home) or len(tanks) == 1))
    if answers.push_server:
        parts.append(push_table(answers.push_server, answers.push_topic))
    if answers.data_folder:
        parts.append(table("storage", {"folder": answers.data_folder}))
    listen = "0.0.0.0" if answers.home_network else "127.0.0.1"  # noqa: S104 - the keeper was asked
    parts.append("# 0.0.0.0 lets phones in the home network reach the page.\n" + table("page", {"listen": listen}))
    if found.remarks:
        parts.append("".join(f"# Note: {r}\n" for r in found.remarks))
    return "\n".join(parts)


def board_in(stream: bytes) -> Board | None:
    """The board whose lines these bytes hold, or None when they are not in our firmware's form.

    Only whole lines with a right checksum count, and only values that were numbers at least once.
    """
    name, fields = "", list[str]()
    for frame in Framer().feed(stream):
        match = re.fullmatch(rb"\$(.*)\*([0-9A-F]{4})", frame or b"")
        if match is None or int(match[2], 16) != crc16_modbus(match[1]):
            continue
        pairs = dict(cell.partition("=")[::2] for cell in match[1].decode("ascii", "replace").split(","))
        name = pairs.get("id", name)
        fields += [f for f in BOARD_FIELDS if f not in fields and number(pairs.get(f, "")) is not None]
    return Board(name, tuple(fields)) if name and fields else None


def with_boards(proposals: Sequence[Proposal], heard: Mapping[str, Board]) -> list[Proposal]:
    """The proposals, those for ports with a board of ours replaced by one for each of its values; ids distinct."""
    out, taken = list[Proposal](), set[str]()
    for p in proposals:
        board = heard.get(str(p.options.get("port", "")))
        for probe in _of_board(p, board) if board else [p]:
            out.append(replace(probe, id=_distinct(probe.id, taken)))
    return out


def _of_board(port: Proposal, board: Board) -> list[Proposal]:
    """One sure proposal for each value that the board was heard to send."""
    common = {"port": port.options["port"]} | dict(BOARD_LINES) | {"identity": board.name}
    return [
        Proposal(
            id=f"{quantity}-{slug(board.name)}",
            driver="lines",
            quantity=quantity,
            unit=unit,
            options=common | {"field": field},
            why=f"{port.why}; the board calls itself {board.name}",
            warnings=["needs a calibration before its values mean anything"] if quantity == "ph" else (),
        )
        for field, (quantity, unit) in BOARD_FIELDS.items()
        if field in board.fields
    ]


def tank_ids(tanks: Sequence[Water]) -> list[str]:
    """An id for each tank, no two alike."""
    taken = set[str]()
    return [_distinct(slug(t.name), taken) for t in tanks]


def home_of(probe: Proposal, tanks: Sequence[str]) -> str:
    """The tank whose id is in the probe's, as `foyer` is in `ph-foyer-board`; the longest such, else the first tank."""
    return home_of_name(probe.id, tanks)


def home_of_name(name: str, tanks: Sequence[str]) -> str:
    """The tank that a board's name names, the longest such; else the first."""
    return max((t for t in tanks if f"-{t}-" in f"-{name}-"), key=len, default=tanks[0])


def push_table(server: str, topic: str) -> str:
    """The `[push]` table, with the warning that belongs to it."""
    return "# Whoever knows the topic can read your alarms; treat it as a password.\n" + table(
        "push", {"server": server, "topic": topic}
    )


def new_topic() -> str:
    """A topic that nobody guesses."""
    return f"rushlight-{secrets.token_hex(8)}"


def slug(text: str) -> str:
    """A name as an id: lower case, digits and hyphens; `tank` when nothing is left."""
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in text.lower())
    return "-".join(filter(None, kept.split("-"))) or "tank"


def _head(answers: Answers) -> str:
    return (
        "# Proposed by the installation from what it found.  Every key is explained in\n"
        "# /opt/rushlight/current/share/rushlight/config.example.toml\n"
        "# After a change:  sudo rushlight check --no-probes  and then  sudo systemctl restart rushlight\n\n"
    ) + table("site", {"name": answers.site, "timezone": answers.timezone})


LIMITS: Mapping[str, Mapping[str, float]] = {
    "temperature": {"low": 21.0, "high": 28.0},
    "ph": {"low": 6.2, "high": 8.2},
}
"""Proposed for a tank with ordinary warm-water fish (common practice, no source)."""


def _tank(water: Water, tank_id: str) -> str:
    keys: dict[str, Any] = {"id": tank_id, "name": water.name, "litres": water.litres}
    if water.started is not None:
        keys["started"] = water.started
    if water.source:
        keys["source_water"] = water.source
    unknown = (
        ""
        if water.source
        else "# Nobody said what is in the water that is filled in: test it once, and add source_water.\n"
    )
    return "\n".join(
        [
            unknown + table("[tank]", keys),
            "# Limits that most fish bear (common practice, no source); set what YOUR fish need.\n"
            + table("tank.limits", {"nitrate": 40} | dict(LIMITS)),
            "# Fed a day, when no feeding is entered.\n"
            + table("tank.feed", {"grams_per_day": water.feed_grams, "protein_percent": 42}),
            "# Empty hours: the light probe finds out when the lamp is on.\n"
            + table("tank.lamp", {"spectrum": "white_led"}),
            table("tank.testing", {"kit": "strip"}),
        ]
    )


def _kit(answers: Answers) -> str:
    pads = dict(PADS) | {"nitrate": answers.nitrate_pads}
    own = {"units": {"nitrate": answers.nitrate_unit}} if answers.nitrate_unit else {}
    return (
        "# The values printed beside the pads of YOUR strip, pad by pad; these are an example.\n"
        + table("[kit]", {"id": "strip", "method": "strip"} | own)
        + "\n"
        + table("kit.pads", pads)
    )


def _probe(proposal: Proposal, tank_id: str, more: Mapping[str, Any], *, asked: bool) -> str:
    """The probe's table; as a comment where it is a guess."""
    doubt = "" if asked else f"is it in {tank_id!r}? nobody said so; see that its tank is right"
    above = "".join(f"# {line}\n" for line in (proposal.why, *proposal.warnings, doubt) if line)
    lines = table("[probe]", proposal.table(tank_id) | dict(more))
    if proposal.sure:
        return above + lines
    return above + "".join(f"# {line}\n" for line in lines.splitlines())


def _distinct(name: str, taken: set[str]) -> str:
    n, found = 1, name
    while found in taken:
        n += 1
        found = f"{name}-{n}"
    taken.add(found)
    return found


def table(name: str, keys: Mapping[str, Any]) -> str:
    """A TOML table; of an array of tables where the name stands in brackets of its own."""
    return "".join([f"[{name}]\n", *(f"{k} = {_value(v)}\n" for k, v in keys.items())])


def _value(value: Any) -> str:
    """A TOML value; what JSON writes for text, numbers, booleans and flat lists is TOML as well."""
    if isinstance(value, float) and value == int(value):
        value = int(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


# ---------------------------------------------------------------------- asking


def ask_all(ask: Callable[[str, str], str], defaults: Answers) -> Answers:
    """Put each question to `ask(question, default)`; an answer that makes no sense is asked for again."""
    site = ask("Name of the place", defaults.site)
    timezone = _asked(ask, "Time zone", defaults.timezone, typed.timezone)
    tanks = _asked_tanks(ask, defaults.tanks)
    pads, unit = _asked(
        ask,
        "Values beside the strip's nitrate pad; if the box says NO3-N and not NO3, write NO3-N after them",
        " ".join(f"{p:g}" for p in defaults.nitrate_pads),
        typed.pads,
    )
    network = _asked(ask, "May phones in the home network open the page (yes/no)", "yes", typed.yes)
    server = _asked(ask, "Address of a push server for alarms on the phone (none: no phone)", PUSH_SERVER, typed.server)
    return Answers(
        site=site,
        timezone=timezone,
        tanks=tanks,
        nitrate_pads=pads,
        nitrate_unit=unit,
        home_network=network,
        push_server=server,
        push_topic=new_topic() if server else "",
        data_folder=defaults.data_folder,
    )


def _asked_tanks(ask: Callable[[str, str], str], defaults: Sequence[Water]) -> tuple[Water, ...]:
    """The tanks, one after another."""
    usual = ", ".join(t.name for t in defaults)
    names = _asked(ask, "Name of the tank; of several, with commas between them", usual, typed.names)
    tanks = []
    for name in names:
        known = next((t for t in defaults if t.name == name), defaults[0])
        whose = "it" if len(names) == 1 else name
        feed_of = "" if len(names) == 1 else f" for {name}"
        litres = _asked(
            ask, f"Litres of water in {whose}, without gravel and wood", f"{known.litres:g}", typed.positive
        )
        feed = _asked(ask, f"Grams of dry feed a day{feed_of}", f"{known.feed_grams:g}", typed.positive)
        water = f"Day on which {'the tank' if len(names) == 1 else name} was set up, and nitrate, KH, GH and pH of the"
        water += " water that you fill in, such as 2025-01-10 5 4 7 7.4 (unknown: -)"
        started, source = _asked(ask, water, "- - - - -", typed.history)
        tanks.append(Water(name, litres, feed, started, source))
    return tuple(tanks)


def ask_dose(
    ask: Callable[[str, str], str], probes: Sequence[Proposal], tanks: Sequence[str], homes: Mapping[str, str]
) -> frozenset[str]:
    """Of several light probes in one tank the one that carries its dose; nothing is asked where there is one."""
    chosen = set()
    for tank in tanks:
        light = [
            p for p in probes if p.sure and p.quantity == "light" and (homes.get(p.id) or home_of(p, tanks)) == tank
        ]
        if len(light) < 2:
            continue
        ids = [p.id for p in light]

        def read(text: str, ids: Sequence[str] = ids) -> str:
            if text not in ids:
                raise ValueError(f"one of {', '.join(ids)}")
            return text

        question = f"Which light probe sees what the plants{'' if len(tanks) == 1 else f' of {tank}'} get"
        chosen.add(_asked(ask, f"{question}: {', '.join(ids)}", ids[0], read))
    return frozenset(chosen)


def ask_homes(ask: Callable[[str, str], str], probes: Sequence[Proposal], tanks: Sequence[str]) -> dict[str, str]:
    """Which tank each sure probe is in, by probe id; nothing is asked where there is one tank."""
    if len(tanks) < 2:
        return {}

    def read(text: str) -> str:
        if slug(text) not in tanks:
            raise ValueError(f"one of {', '.join(tanks)}")
        return slug(text)

    return {p.id: _asked(ask, f"Which tank is {p.id} in: {p.why}", home_of(p, tanks), read) for p in probes if p.sure}


_T = TypeVar("_T")


def _asked(ask: Callable[[str, str], str], question: str, default: str, read: Callable[[str], _T]) -> _T:
    asked = question
    while True:
        try:
            return read(ask(asked, default).strip())
        except ValueError as e:
            asked = f"{question} ({e})"


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


def on_terminal(question: str, default: str) -> str:
    """Ask on the terminal; leaves when the input has ended."""
    sys.stderr.write(f"{question} [{default}]: ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise SystemExit("no answer: the input ended")
    return line.strip() or default


def main(arguments: Sequence[str] | None = None) -> None:
    """Write a proposed configuration to standard output."""
    parser = argparse.ArgumentParser(
        prog="python -m rushlight.guide.wizard", description="Propose a first configuration."
    )
    parser.add_argument("--root", type=Path, default=Path("/"), help="where /sys, /dev and /etc are")
    parser.add_argument("--data-folder", default="", help="where the journal will live")
    parser.add_argument("--ask", action="store_true", help="ask on the terminal for what can't be found")
    parser.add_argument("--listen-seconds", type=float, default=25.0, help="how long to hear each serial port out")
    given = parser.parse_args(arguments)
    ask = on_terminal if given.ask else None
    sys.stdout.write(first_configuration(ask, given.data_folder, given.root, given.listen_seconds))


def first_configuration(
    ask: Callable[[str, str], str] | None, data_folder: str, root: Path = Path("/"), listen_s: float = 25.0
) -> str:
    """A first configuration for this machine as TOML; `ask` None: nothing is asked."""
    answers = Answers(timezone=timezone(root), data_folder=data_folder)
    if ask is not None:
        answers = ask_all(ask, answers)
    found = discover.discover(root)
    ports = [str(p.options["port"]) for p in found.proposals if "port" in p.options]
    heard = {port: board for port in ports if (board := _listen(port, listen_s)) is not None}
    homes, dose = dict[str, str](), frozenset[str]()
    if ask is not None:
        probes, tanks = with_boards(found.proposals, heard), tank_ids(answers.tanks)
        homes = ask_homes(ask, probes, tanks)
        dose = ask_dose(ask, probes, tanks, homes)
    return propose(found, answers, heard, homes, dose)


def _listen(port: str, seconds: float) -> Board | None:
    """The board behind a port, if it speaks our firmware's lines within `seconds`."""
    sys.stderr.write(f"listening to {port} for up to {seconds:.0f} s\n")
    clock = SystemClock()
    serial_port = SerialPort(SerialOptions(port=port, settle_s=0.0), clock.mono_s, threading.Event())
    until_s, stream = clock.mono_s() + seconds, b""
    try:
        serial_port.open()
        # The first line end only marks where lines begin; two whole ones show what is sent each time.
        while clock.mono_s() < until_s and not (board_in(stream) and stream.count(b"\n") >= 3):
            stream += serial_port.read(min(until_s, clock.mono_s() + 1.0))
    except LinkError as e:
        sys.stderr.write(f"{e}\n")
    finally:
        serial_port.close()
    return board_in(stream)


if __name__ == "__main__":
    main()
