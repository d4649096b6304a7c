"""Turning a library's complaints about data into ours: the key, what is wrong, the nearest known key.

Used for configuration and for event lines alike, so that both speak the same way.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import reprlib
import typing
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import ValidationError

_WORDS = {
    "missing": "is missing",
    "float_type": "expected a number",
    "int_type": "expected a whole number",
    "string_type": "expected text in quotes",
    "string_too_short": "must not be empty",
    "bool_type": "expected true or false",
    "finite_number": "expected a finite number",
    "dict_type": "expected a table of names and values",
    "tuple_type": "expected a list",
    "dataclass_type": "expected a table of names and values",
    "date_type": "expected a date such as 2025-01-10",
}

_DEEPEST = 20
_LARGEST = 2**53
_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = 100


@dataclasses.dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: where (`key`, a path with dots) and what was expected."""

    key: str
    what: str

    def __str__(self) -> str:
        return f"{self.key}: {self.what}"


def faults(error: ValidationError, known: type | None = None, prefix: Sequence[str | int] = ()) -> list[Fault]:
    """Every complaint of `error` as a `Fault`, in the order found; `known` is the class that was checked."""
    found: dict[str, Fault] = {}
    items = error.errors(include_url=False)
    for item in items:
        # A list that is empty only because each of its items is wrong has nothing of its own to mend.
        if item["type"] == "too_short" and any(i["loc"][: len(item["loc"])] == item["loc"] != i["loc"] for i in items):
            continue
        loc = [*prefix, *item["loc"]]
        fault = Fault(path(loc), _what(item, known, item["loc"]))
        found.setdefault(fault.key, fault)
    return list(found.values())


def path(loc: Iterable[str | int]) -> str:
    """A key path as people write it: `tank[0].limits.nitrate`."""
    out = ""
    for part in loc:
        if isinstance(part, int):
            out += f"[{part}]"
        elif part not in {"float", "str", "int", "[key]"}:
            out += f".{part}" if out else str(part)
    return out or "."


def unfit(document: Any) -> Fault | None:
    """The first thing in a decoded document that no part of this program could work with or write back.

    That is: lists and tables nested beyond any use, numbers that are not finite or not exact in a double
    (IEEE 754: whole numbers up to 2⁵³), and half a surrogate pair, which passes for text until it is to be written.
    Walks without recursion, so that depth can't break the check itself.
    """
    layer: list[tuple[tuple[str | int, ...], Any]] = [((), document)]
    for _ in range(_DEEPEST):
        below: list[tuple[tuple[str | int, ...], Any]] = []
        for loc, item in layer:
            if fault := _unfit_item(loc, item):
                return fault
            if isinstance(item, dict):
                below += [((*loc, k), v) for k, v in item.items()]
            elif isinstance(item, list):
                below += [((*loc, i), v) for i, v in enumerate(item)]
        if not below:
            return None
        layer = below
    return Fault(path(layer[0][0][:2]), f"is nested more than {_DEEPEST} deep")


def _unfit_item(loc: tuple[str | int, ...], item: Any) -> Fault | None:
    if isinstance(item, dict) and not all(is_text(k) for k in item):
        return Fault(path(loc), "a key holds half a character")
    if isinstance(item, str) and not is_text(item):
        return Fault(path(loc), "holds half a character")
    if isinstance(item, float) and not math.isfinite(item):
        return Fault(path(loc), "expected a finite number")
    if isinstance(item, int) and abs(item) > _LARGEST:
        return Fault(path(loc), "is too large")
    return None


def is_text(text: str) -> bool:
    """Whether a string can be written as UTF-8: it holds no half of a surrogate pair."""
    return text.isascii() or not any("\ud800" <= c <= "\udfff" for c in text)


def shown(value: object) -> str:
    """A value for a message: as Python writes it, but cut short, however long or deep it is."""
    return _SHORT.repr(value)


def nearest(word: str, known: Iterable[str]) -> str:
    """`; did you mean …?` for the closest known word, or nothing."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def _what(item: Any, known: type | None, loc: tuple[str | int, ...]) -> str:
    kind, ctx, got = item["type"], item.get("ctx", {}), item.get("input")
    if kind in {"unexpected_keyword_argument", "extra_forbidden"}:
        holder = _class_at(known, loc[:-1])
        names = [f.name for f in dataclasses.fields(holder)] if holder else []
        return f"unknown key{nearest(str(loc[-1]), names)}"
    if kind == "missing":
        return _WORDS[kind]
    if kind == "literal_error":
        return f"expected {ctx['expected']}, got {shown(got)}{_close_choice(got, ctx['expected'])}"
    if kind == "value_error":
        return str(ctx["error"])
    if kind in {"too_short", "too_long"}:
        least = kind == "too_short"
        return (
            f"expected at least {_counted(ctx['min_length'])}"
            if least
            else f"expected at most {_counted(ctx['max_length'])}"
        )
    said = _WORDS.get(kind) or item["msg"].removeprefix("Input ").replace("should be", "must be")
    return said if isinstance(got, dict | list) else f"{said}, got {shown(got)}"


def _counted(n: int) -> str:
    return f"{n} entry" if n == 1 else f"{n or 'no'} entries"


def _close_choice(got: object, expected: str) -> str:
    return (
        nearest(got, [w.strip(" '") for w in expected.replace(" or ", ",").split(",")]) if isinstance(got, str) else ""
    )


def _class_at(cls: Any, loc: Sequence[str | int]) -> type | None:
    """Follow a key path through nested dataclasses to the class that holds the last key."""
    for part in loc:
        if isinstance(part, int) or cls is None:
            continue
        hints = typing.get_type_hints(cls) if dataclasses.is_dataclass(cls) else {}
        cls = next((t for t in _flatten(hints.get(part)) if dataclasses.is_dataclass(t)), None)
    return cls if cls is not None and dataclasses.is_dataclass(cls) and isinstance(cls, type) else None


def _flatten(hint: Any) -> Iterable[Any]:
    args = typing.get_args(hint)
    return [hint] if not args else [t for a in args for t in _flatten(a)]
