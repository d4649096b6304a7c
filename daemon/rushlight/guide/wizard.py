"""A first configuration, proposed from the probes that are plugged in and a few answers.

Owns the proposal's text.  Pure: what was found, heard and answered goes in, TOML comes out that `config.check`
accepts.  What is a guess is proposed as a comment, for a person to decide.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import secrets
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from typing import Any

from rushlight.guide import animals, touch
from rushlight.localunits import Units
from rushlight.settings import UnitSystem
from rushlight_drivers.discover import BOARD_FIELDS, BOARD_LINES, Findings, Proposal
from rushlight_drivers.formats.checksums import crc16_modbus
from rushlight_drivers.formats.framing import Framer
from rushlight_drivers.formats.numerals import number

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
    animals: animals.Keeping = animals.USUAL


@dataclass(frozen=True, slots=True)
class Answers:
    """What only the keeper knows; every default is usable."""

    site: str = "At home"
    timezone: str = "UTC"
    units: UnitSystem = "metric"
    tanks: tuple[Water, ...] = (Water(),)
    nitrate_pads: tuple[float, ...] = PADS["nitrate"]
    nitrate_unit: str = ""
    """Empty for a box that says NO3."""
    home_network: bool = False
    """True: phones in the home network may open the page."""
    push_server: str = ""
    push_topic: str = ""
    asked: bool = False
    """A person gave them: what is empty is meant to be."""
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
    tanks, units = tank_ids(answers.tanks), Units(answers.units)
    parts = [
        _head(answers),
        *(_tank(water, tank_id, units) for water, tank_id in zip(answers.tanks, tanks, strict=True)),
    ]
    parts.append(_kit(answers))
    for probe in with_boards(found.proposals, heard or {}):
        home = (homes or {}).get(probe.id, "")
        carries = {"dose": True} if probe.id in dose else {}
        parts.append(_probe(probe, home or home_of(probe.id, tanks), carries, asked=bool(home) or len(tanks) == 1))
    if answers.push_server:
        parts.append(push_table(answers.push_server, answers.push_topic))
    elif answers.asked:
        refused = table("push", {"server": "", "topic": ""})
        parts.append(f"# No phone, as was said; sudo rushlight setup --again phone asks anew.\n{refused}")
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
        out += _of_board(p, board) if board else [p]
    return apart(out, taken)


def apart(proposals: Sequence[Proposal], taken: set[str]) -> list[Proposal]:
    """The same, with ids that are neither among the taken ones nor twice."""
    return [replace(p, id=_distinct(p.id, taken)) for p in proposals]


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


def home_of(name: str, tanks: Sequence[str]) -> str:
    """The tank that a probe's or a board's name names; else the first."""
    return touch.named(name, tanks) or tanks[0]


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
    own = {} if answers.units == "metric" else {"units": answers.units}
    return (
        "# Proposed by the installation from what it found.  Every key is explained in\n"
        "# /opt/rushlight/current/share/rushlight/config.example.toml\n"
        "# After a change:  sudo rushlight check --no-probes  and then  sudo systemctl restart rushlight\n\n"
    ) + table("site", {"name": answers.site, "timezone": answers.timezone} | own)


def limits(keeping: animals.Keeping, units: Units) -> Mapping[str, Mapping[str, Any]]:
    """For `[tank.limits]`, in the units that their keeper thinks in."""
    temperature = {side: _own(value, "°C", units) for side, value in keeping.limits["temperature"].items()}
    return {**keeping.limits, "temperature": temperature}


def _own(value: float, unit: str, units: Units) -> float | str:
    """A number where the site reads the record's unit, else a text with the unit that it reads."""
    if units.word(unit) == unit:
        return value
    word = {"L": units.gallon}.get(unit, units.word(unit))
    return f"{units.of(value, unit):.6g} {word}"


def _tank(water: Water, tank_id: str, units: Units) -> str:
    keys: dict[str, Any] = {"id": tank_id, "name": water.name, "litres": _own(water.litres, "L", units)}
    if water.started is not None:
        keys["started"] = water.started
    if water.source:
        hard = {k: _own(v, "°dH", units) for k, v in water.source.items() if k in ("kh", "gh")}
        keys["source_water"] = {**water.source, **hard}
    unknown = (
        ""
        if water.source
        else "# Nobody said what is in the water that is filled in: test it once, and add source_water.\n"
    )
    return "\n".join(
        [
            unknown + table("[tank]", keys),
            f"# {water.animals.said}; set what YOUR animals need.\n"
            + table("tank.limits", {"nitrate": 40} | dict(limits(water.animals, units))),
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
    hard = (
        "" if answers.units != "us" else '# Where the box gives KH and GH in ppm: units = { kh = "ppm", gh = "ppm" }\n'
    )
    return (
        "# The values printed beside the pads of YOUR strip, pad by pad; these are an example.\n"
        + hard
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


def probe_table(proposal: Proposal, tank_id: str) -> str:
    """The table of a probe whose tank somebody named."""
    return _probe(proposal, tank_id, {}, asked=True)


def _distinct(name: str, taken: set[str]) -> str:
    n, found = 1, name
    while found in taken:
        n += 1
        found = f"{name}-{n}"
    taken.add(found)
    return found


def table(name: str, keys: Mapping[str, Any]) -> str:
    """A TOML table; of an array of tables where the name stands in brackets of its own."""
    return "".join([f"[{name}]\n", *(f"{k} = {written(v)}\n" for k, v in keys.items())])


def written(value: Any) -> str:
    """A TOML value; what JSON writes for text, numbers, booleans and flat lists is TOML as well."""
    if isinstance(value, float) and value == int(value):
        value = int(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {written(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(written(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
