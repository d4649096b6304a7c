"""What each room may import, checked over every module of both packages: `bash tests/walls.sh`.

`walls.toml` is an allow-list: a room imports the rooms and libraries that stand there and nothing else.  A pure room may
import pure rooms and `pure_library` alone, so that no chain of imports leads from it to a file, a clock or a socket.
`never` names rooms to which no chain of any length may lead.  The last paragraph of a room's `__init__` is written from
the list (`--write`) and compared with it.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import grimp

HERE = Path(__file__).parent
PACKAGES = {"rushlight": "daemon", "rushlight_drivers": "drivers"}
PROMISE = "Imports "


@dataclass(frozen=True)
class Room:
    """One row of the list."""

    name: str
    pure: bool
    rooms: tuple[str, ...]
    uses: tuple[str, ...]
    never: tuple[str, ...]

    @property
    def promise(self) -> str:
        """What the room's `__init__` says of itself."""
        names = [*self.rooms, *self.uses]
        own = ", ".join(names) if names else "nothing of this project"
        rest = " and the pure part of the standard library; no file, clock, thread or socket" if self.pure else ""
        return f"{PROMISE}{own}{rest}."


@dataclass(frozen=True)
class Walls:
    """The list as a whole."""

    rooms: Mapping[str, Room]
    pure_library: frozenset[str]
    common: frozenset[str]

    def room_of(self, module: str) -> Room | None:
        """The room in which a module of ours stands: the longest name that it begins with."""
        package, _, rest = module.partition(".")
        words = rest.split(".")
        if package == "rushlight_drivers":
            words = ["drivers", *words]
        for n in range(len(words), 0, -1):
            if (room := self.rooms.get(".".join(words[:n]))) is not None:
                return room
        return None


def read(file: Path) -> Walls:
    """The list.  Raises ValueError where it contradicts itself."""
    raw: dict[str, Any] = tomllib.loads(file.read_text())
    rooms = {
        name: Room(
            name,
            bool(row.get("pure", False)),
            tuple(row.get("rooms", ())),
            tuple(row.get("uses", ())),
            tuple(row.get("never", ())),
        )
        for name, row in raw["room"].items()
    }
    for room in rooms.values():
        for other in (*room.rooms, *room.never):
            if other not in rooms:
                raise ValueError(f"{room.name}: no room {other!r}")
            if room.pure and other in room.rooms and not rooms[other].pure:
                raise ValueError(f"{room.name} is pure and may not import {other}, which is not")
    return Walls(rooms, frozenset(raw["pure_library"]), frozenset(raw["library"]))


def breaches(walls: Walls, graph: grimp.ImportGraph) -> Iterator[str]:
    """Every import that the list does not allow, in words."""
    reach: dict[str, set[str]] = {}
    for module in sorted(m for m in graph.modules if m.partition(".")[0] in PACKAGES):
        if module in {"rushlight", "rushlight.__main__"}:
            continue
        room = walls.room_of(module)
        if room is None:
            yield f"{module} stands in no room of walls.toml"
            continue
        for other in sorted(graph.find_modules_directly_imported_by(module)):
            where = graph.get_import_details(importer=module, imported=other)
            at = f"{module}, line {where[0]['line_number']}" if where else module
            top = other.partition(".")[0]
            if top not in PACKAGES:
                if top not in walls.pure_library | walls.common and top not in room.uses:
                    yield f"{at}: {room.name} may not use {top}"
                elif room.pure and top not in walls.pure_library and top not in room.uses:
                    yield f"{at}: {room.name} is pure and may not use {top}"
                continue
            target = walls.room_of(other)
            if target is None or target is room:
                continue
            reach.setdefault(room.name, set()).add(target.name)
            if target.name not in room.rooms:
                yield f"{at}: {room.name} may not import {target.name}"
    yield from _chains(walls, reach)


def _chains(walls: Walls, reach: Mapping[str, set[str]]) -> Iterator[str]:
    """Rooms that are reached by way of others though they never may be."""
    for name, room in walls.rooms.items():
        seen: dict[str, str] = {}
        todo = [(n, f"{name} → {n}") for n in sorted(reach.get(name, ()))]
        while todo:
            other, way = todo.pop()
            if other in seen:
                continue
            seen[other] = way
            todo += [(n, f"{way} → {n}") for n in sorted(reach.get(other, ()))]
        for other in room.never:
            if other in seen:
                yield f"{name} may never lead to {other}: {seen[other]}"
        if room.pure:
            yield from (f"{name} is pure and leads to {o}: {w}" for o, w in seen.items() if not walls.rooms[o].pure)


def promises(walls: Walls, top: Path, *, write: bool) -> Iterator[str]:
    """The `__init__` of each room against the list; with `write`, made to agree with it."""
    for room in walls.rooms.values():
        file = place_of(room.name, top) / "__init__.py"
        if not file.exists():
            continue
        text = file.read_text()
        doc, quotes, rest = text[3:].partition('"""')
        kept = [p for p in doc.strip().split("\n\n") if not p.startswith(PROMISE)]
        right = '"""' + "\n\n".join([*kept, wrapped(room.promise)]) + "\n" + quotes + rest
        if right != text and write:
            file.write_text(right)
        elif right != text:
            yield f"{file.relative_to(top)} does not say what walls.toml says: python tests/walls.py --write"


def place_of(room: str, top: Path) -> Path:
    """Where a room lies in the tree: a folder, or a module without its ending."""
    first, _, rest = room.partition(".")
    package = top / ("drivers/rushlight_drivers" if first == "drivers" else "daemon/rushlight")
    return package / (rest if first == "drivers" else room).replace(".", "/")


def wrapped(text: str) -> str:
    """The promise in lines of 120 characters."""
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) + 1 > 120:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".lstrip()
    return "\n".join(lines)


def check(top: Path, *, write: bool = False) -> list[str]:
    """All that is wrong with the tree at `top`, a line each."""
    walls = read(HERE / "walls.toml")
    sys.path[:0] = [str(top / folder) for folder in PACKAGES.values()]
    try:
        graph = grimp.build_graph(*PACKAGES, include_external_packages=True, cache_dir=None)
    finally:
        del sys.path[: len(PACKAGES)]
    return [*breaches(walls, graph), *promises(walls, top, write=write)]


if __name__ == "__main__":
    found = check(HERE.parent, write="--write" in sys.argv)
    print("\n".join(found) if found else "the walls hold")
    sys.exit(bool(found))
