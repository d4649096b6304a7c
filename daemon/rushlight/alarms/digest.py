"""Several alarms in one message: what is alike is said once.

Owns the title and the text of such a message.  Never decides what goes together (`notify` does).  Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rushlight.alarms import words
from rushlight.alarms.evidence import Evidence
from rushlight.alarms.table import AlarmRow


@dataclass(frozen=True, slots=True)
class Item:
    """One of the alarms; `body` is what would be said of it alone.  `whole`: its body is not to be taken apart."""

    row: AlarmRow
    place: str
    evidence: Evidence
    body: str
    over: bool = False
    whole: bool = False


def title(items: Sequence[Item]) -> str:
    """A title that fits a phone's notification."""
    names = list(dict.fromkeys(i.place for i in items if i.place))
    places = f"{', '.join(names)}: " if names else ""
    over = ": over" if all(i.over for i in items) else ""
    if len({i.row.name for i in items}) == 1:
        count = f" ({len(items)})" if len(items) > len(names) else ""
        return f"{places}{items[0].row.title}{count}{over}"
    return f"{places}{len(items)} alarms{over}"


def body(items: Sequence[Item]) -> str:
    """All of them; alarms of one kind that ask for the same are told together, the asking once; so is what is over."""
    groups: dict[tuple[str, str], list[Item]] = {}
    for n, item in enumerate(items):
        key = (item.row.name, str(n) if item.whole else words.advice_text(item.row, item.evidence))
        key = ("", "over") if item.over else key
        groups.setdefault(key, []).append(item)
    return "\n\n".join(_group(group) for group in groups.values())


def _group(group: Sequence[Item]) -> str:
    if len(group) == 1 or group[0].over:
        return "\n".join(item.body for item in group)
    lines = [words.happening_text(i.row, i.place, i.evidence) for i in group]
    lines = list(dict.fromkeys(lines))  # a board that is down is one thing, however many probes it carries
    return "\n".join([*lines, words.advice_text(group[0].row, group[0].evidence)])
