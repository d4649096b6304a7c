"""A first configuration, proposed from the probes that are plugged in and a few answers.

Owns the proposal's text.  `propose` is pure: what was found and what was answered go in, TOML comes out that
`config.check` accepts.  Only `main` looks at devices and asks; nothing here writes a file.

Run as `python -m rushlight.wizard`; the configuration goes to standard output, questions to standard error.
"""

from __future__ import annotations

import argparse
import itertools
import json
import secrets
import sys
import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

PADS: Mapping[str, tuple[float, ...]] = {
    "nitrate": (0, 10, 25, 50, 100, 250),
    "nitrite": (0, 0.5, 1, 3, 10),
    "ph": (6.0, 6.5, 7.0, 7.5, 8.0, 8.5),
    "kh": (0, 3, 5, 10, 15, 20),
    "gh": (0, 4, 9, 14, 20),
}
"""An example of what stands beside the pads; each keeper's own strip says what is true for it."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One probe that could be configured: its quantity, driver and the driver's own keys."""

    quantity: str
    driver: str
    options: Mapping[str, Any]
    unit: str = ""
    said: str = ""
    """One line on where it was found, for the comment above it."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What only the keeper knows; every default is usable."""

    site: str = "At home"
    timezone: str = "UTC"
    tank: str = "Tank"
    litres: float = 100.0
    feed_grams: float = 0.5
    nitrate_pads: tuple[float, ...] = PADS["nitrate"]
    home_network: bool = False
    """True: phones in the home network may open the page."""
    push_server: str = ""
    push_topic: str = ""
    data_folder: str = ""
    remarks: tuple[str, ...] = field(default_factory=tuple)
    """What was looked for and not found, as comments at the end."""


def propose(found: Sequence[Candidate], answers: Answers) -> str:
    """The configuration as TOML text."""
    tank_id = slug(answers.tank)
    parts = [_head(answers), _tank(answers, tank_id), _kit(answers)]
    taken: set[str] = set()
    parts += [_probe(c, tank_id, taken) for c in found]
    if answers.push_server:
        parts.append(
            _table("push", {"server": answers.push_server, "topic": answers.push_topic})
            + "# Whoever knows the topic can read your alarms; treat it as a password.\n"
        )
    if answers.data_folder:
        parts.append(_table("storage", {"folder": answers.data_folder}))
    listen = "0.0.0.0" if answers.home_network else "127.0.0.1"  # noqa: S104 - asked for, and behind a sign-in
    parts.append(_table("page", {"listen": listen}) + "# 0.0.0.0 lets phones in the home network reach the page.\n")
    parts += [f"# {r}\n" for r in answers.remarks]
    return "\n".join(parts)


def slug(text: str) -> str:
    """A name as an id: lower case, digits and hyphens; `tank` when nothing is left."""
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in text.lower())
    return "-".join(filter(None, kept.split("-"))) or "tank"


def _head(answers: Answers) -> str:
    return (
        "# Proposed by the installation from what it found.  Every key is explained in config.example.toml.\n"
        "# After a change:  sudo rushlight check  and then  sudo systemctl restart rushlight\n\n"
    ) + _table("site", {"name": answers.site, "timezone": answers.timezone})


def _tank(answers: Answers, tank_id: str) -> str:
    return "\n".join(
        [
            _table("[tank]", {"id": tank_id, "name": answers.tank, "litres": answers.litres}),
            "# Fed a day, when no feeding is entered.\n"
            + _table("tank.feed", {"grams_per_day": answers.feed_grams, "protein_percent": 42}),
            "# Empty hours: the light probe finds out when the lamp is on.\n"
            + _table("tank.lamp", {"spectrum": "white_led"}),
            _table("tank.testing", {"kit": "strip"}),
        ]
    )


def _kit(answers: Answers) -> str:
    pads = dict(PADS) | {"nitrate": answers.nitrate_pads}
    return (
        "# The values printed beside the pads of YOUR strip, pad by pad; these are an example.\n"
        + _table("[kit]", {"id": "strip", "method": "strip"})
        + "\n"
        + _table("kit.pads", pads)
    )


def _probe(candidate: Candidate, tank_id: str, taken: set[str]) -> str:
    base = f"{tank_id}-{candidate.quantity.replace('_', '-')}"
    name, n = base, 2
    while name in taken:
        name, n = f"{base}-{n}", n + 1
    taken.add(name)
    keys: dict[str, Any] = {"id": name, "tank": tank_id, "quantity": candidate.quantity, "driver": candidate.driver}
    if candidate.unit:
        keys["unit"] = candidate.unit
    return f"# {candidate.said}\n" + _table("[probe]", keys | dict(candidate.options))


def _table(name: str, keys: Mapping[str, Any]) -> str:
    return "".join([f"[{name}]\n", *(f"{k} = {_value(v)}\n" for k, v in keys.items())])


def _value(value: Any) -> str:
    """A TOML value; what JSON writes for text, numbers, booleans and flat lists is TOML as well."""
    if isinstance(value, float) and value == int(value):
        value = int(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


# ---------------------------------------------------------------------- asking


def ask_all(ask: Callable[[str, str], str], defaults: Answers) -> Answers:
    """Put each question to `ask(question, default)`; an answer that makes no sense is asked for again."""
    site = ask("Name of the place", defaults.site)
    timezone = _asked(ask, "Time zone", defaults.timezone, _timezone)
    tank = ask("Name of the tank", defaults.tank)
    litres = _asked(ask, "Litres of water in it, without gravel and wood", f"{defaults.litres:g}", _positive)
    feed = _asked(ask, "Grams of dry feed a day", f"{defaults.feed_grams:g}", _positive)
    pads = _asked(
        ask, "Values beside the strip's nitrate pad", " ".join(f"{p:g}" for p in defaults.nitrate_pads), _pads
    )
    network = _asked(ask, "May phones in the home network open the page (yes/no)", "yes", _yes)
    server = _asked(ask, "Address of a push server for alarms on the phone (empty: none yet)", "", _server)
    return Answers(
        site=site,
        timezone=timezone,
        tank=tank,
        litres=litres,
        feed_grams=feed,
        nitrate_pads=pads,
        home_network=network,
        push_server=server,
        push_topic=f"rushlight-{secrets.token_hex(8)}" if server else "",
        data_folder=defaults.data_folder,
        remarks=defaults.remarks,
    )


_T = TypeVar("_T")


def _asked(ask: Callable[[str, str], str], question: str, default: str, read: Callable[[str], _T]) -> _T:
    asked = question
    while True:
        try:
            return read(ask(asked, default).strip())
        except ValueError as e:
            asked = f"{question} ({e})"


def _timezone(text: str) -> str:
    if text not in zoneinfo.available_timezones():
        raise ValueError("an IANA name such as Europe/Dublin")
    return text


def _positive(text: str) -> float:
    value = float(text.replace(",", "."))
    if not 0 < value < 1e6:
        raise ValueError("a number above 0")
    return value


def _pads(text: str) -> tuple[float, ...]:
    values = tuple(float(word) for word in text.replace(",", " ").split())
    if len(values) < 2 or values[0] < 0 or any(b <= a for a, b in itertools.pairwise(values)):
        raise ValueError("at least two numbers, rising, with blanks between them")
    return values


def _yes(text: str) -> bool:
    if text.lower() not in {"yes", "y", "no", "n"}:
        raise ValueError("yes or no")
    return text.lower().startswith("y")


def _server(text: str) -> str:
    if text and not text.startswith(("https://", "http://")):
        raise ValueError("an address such as https://push.example.org, or nothing")
    return text.rstrip("/")


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


def _on_terminal(question: str, default: str) -> str:
    sys.stderr.write(f"{question} [{default}]: ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise SystemExit("no answer: the input ended")
    return line.strip() or default


def main(arguments: Sequence[str] | None = None) -> None:
    """Write a proposed configuration to standard output."""
    parser = argparse.ArgumentParser(prog="python -m rushlight.wizard", description="Propose a first configuration.")
    parser.add_argument("--root", type=Path, default=Path("/"), help="where /sys, /dev and /etc are")
    parser.add_argument("--data-folder", default="", help="where the journal will live")
    parser.add_argument("--ask", action="store_true", help="ask on the terminal for what can't be found")
    given = parser.parse_args(arguments)
    answers = Answers(timezone=timezone(given.root), data_folder=given.data_folder)
    if given.ask:
        answers = ask_all(_on_terminal, answers)
    sys.stdout.write(propose([], answers))


if __name__ == "__main__":
    main()
