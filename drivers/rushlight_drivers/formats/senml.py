"""Sensor Measurement Lists (RFC 8428) in JSON: reading a pack, and writing one.

Owns the resolving of base values into records that stand alone.  Never fills in a time from a clock: a relative
time stays relative, because only the caller knows what 'now' is.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from rushlight_drivers.formats import jsonpointer
from rushlight_drivers.formats.numerals import as_number

VERSION = 10
ABSOLUTE_FROM_S = float(2**28)
"""Times from here on are seconds since 1970 UTC; smaller ones count from now (section 4.5.3)."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_NUMBERS = ("bt", "bv", "bs", "v", "s", "t", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")
_KNOWN = {*_NUMBERS, *_TEXTS, "bver", "vb"}


class SenmlError(ValueError):
    """The text is not a SenML pack that this version understands; says which record is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One resolved record: no field depends on another record.

    `value` is `v` with the base value added, `total` likewise `s`; `text`, `truth` and `data` are `vs`, `vb` and
    `vd`.  `time_s` is as sent: since 1970 if `is_absolute`, else seconds from now, negative for the past.
    """

    name: str
    unit: str = ""
    value: float | None = None
    text: str | None = None
    truth: bool | None = None
    data: str | None = None
    total: float | None = None
    time_s: float = 0.0
    update_s: float | None = None

    @property
    def is_absolute(self) -> bool:
        """Whether `time_s` counts from 1970."""
        return self.time_s >= ABSOLUTE_FROM_S


def parse(pack: bytes | str) -> list[Record]:
    """The resolved records of a JSON pack, in order; raises SenmlError for the whole pack if one is wrong."""
    try:
        items = jsonpointer.loads(pack)
    except jsonpointer.NotJsonError as e:
        raise SenmlError(f"is not JSON: {e}") from None
    if not isinstance(items, list) or not items:
        raise SenmlError("a pack is a list of records")
    base: dict[str, Any] = {}
    out = []
    for i, item in enumerate(items):
        try:
            out += _record(item, base)
        except SenmlError as e:
            raise SenmlError(f"record {i}: {e}") from None
    return out


def _record(item: Any, base: dict[str, Any]) -> list[Record]:
    """The record in `item`, or none if it only sets base values; `base` is carried from record to record."""
    if not isinstance(item, dict):
        raise SenmlError("is not an object")
    _check(item)
    if "bver" in base and "bver" in item and base["bver"] != item["bver"]:
        raise SenmlError("bver differs from that of an earlier record")
    base |= {k: v for k, v in item.items() if k in {"bn", "bt", "bu", "bv", "bs", "bver"}}
    given = [k for k in ("v", "vs", "vb", "vd") if k in item]
    if len(given) > 1:
        raise SenmlError(f"has more than one value: {', '.join(given)}")
    if not given and "s" not in item:
        if item.keys() & {"n", "u", "t", "ut"} and not {"bv", "bs"} & base.keys():
            raise SenmlError("has neither a value nor a sum")
        if not item.keys() & {"n", "u", "t", "ut"}:
            return []
    name = base.get("bn", "") + item.get("n", "")
    if not _NAME.fullmatch(name):
        raise SenmlError(f"{name!r} is not a name")
    has_value = "v" in item or ("bv" in base and not given and "s" not in item)
    has_sum = "s" in item or "bs" in base
    return [
        Record(
            name=name,
            unit=item.get("u", base.get("bu", "")),
            value=_sum(item, base, "v") if has_value else None,
            text=item.get("vs"),
            truth=item.get("vb"),
            data=item.get("vd"),
            total=_sum(item, base, "s") if has_sum else None,
            time_s=_sum(item, base, "t"),
            update_s=item.get("ut"),
        )
    ]


def _sum(item: Mapping[str, Any], base: Mapping[str, Any], key: str) -> float:
    """A number with its base value; raises SenmlError where two that are finite add up to one that is not."""
    total: float = item.get(key, 0.0) + base.get(f"b{key}", 0.0)
    if not math.isfinite(total):
        raise SenmlError(f"{key} and b{key} add up to no number")
    return total


def _check(item: dict[str, Any]) -> None:
    """Types of the fields that the RFC names; numbers become floats in place."""
    for key, said in list(item.items()):
        if key in _NUMBERS:
            value = None if isinstance(said, str) else as_number(said)
            if value is None:
                raise SenmlError(f"{key} is not a number")
            item[key] = value
        elif (key in _TEXTS and not isinstance(said, str)) or (key == "vb" and not isinstance(said, bool)):
            raise SenmlError(f"{key} has the wrong type")
        elif key == "bver" and (isinstance(said, bool) or not isinstance(said, int) or not 1 <= said <= VERSION):
            raise SenmlError(f"version {said!r} is not understood")
        elif key not in _KNOWN and key.endswith("_"):
            raise SenmlError(f"{key!r} must be understood and is not")


_FIELDS = {
    "name": "n",
    "unit": "u",
    "value": "v",
    "text": "vs",
    "truth": "vb",
    "data": "vd",
    "total": "s",
    "time_s": "t",
    "update_s": "ut",
}


def format(records: Iterable[Record]) -> str:  # noqa: A001 - `senml.format` is what it is called in use
    """A pack in resolved form, one record a line; raises SenmlError for a name that is not allowed."""
    rows = []
    for r in records:
        if not _NAME.fullmatch(r.name):
            raise SenmlError(f"{r.name!r} is not a name")
        rows.append(json.dumps(_fields(r), separators=(",", ":"), allow_nan=False))
    return "[" + ",\n".join(rows) + "]"


def _fields(record: Record) -> Mapping[str, Any]:
    """The record's fields by their short names, those that say nothing left out."""
    said = {short: getattr(record, name) for name, short in _FIELDS.items()}
    return {k: v for k, v in said.items() if v is not None and not (k == "u" and v == "") and not (k == "t" and v == 0)}
