"""What an MQTT message says: a plain number, a value inside JSON, or SenML.

Owns the reading of payloads.  Pure: bytes and where to look in, numbers out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import MinLen

from rushlight_drivers.contract import Trouble
from rushlight_drivers.formats import jsonpointer, senml
from rushlight_drivers.formats.numerals import as_number

_LONGEST = 65536
_YEAR_S = 366 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a probe's values are published, and where in a message its number stands."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    topic: Annotated[str, MinLen(1)]
    """Where the probe's values are published; + and # match as MQTT has it."""
    format: Literal["number", "json", "senml"] = "number"
    """`number`: the payload is the number.  `json`: `pointer` says where it is.  `senml`: RFC 8428, `record` says
    which."""
    pointer: str = ""
    """JSON pointer (RFC 6901) to the value, such as /water/temperature."""
    time_pointer: str = ""
    """JSON pointer to the time of the measurement in seconds since 1970 UTC, if the payload has one."""
    record: str = ""
    """The SenML record's whole name (base name and name); empty: the only one with a number."""


class BadPayloadError(Exception):
    """A payload gave no value, and which trouble that is."""

    def __init__(self, trouble: Trouble, detail: str) -> None:
        super().__init__(detail)
        self.trouble: Trouble = trouble


@dataclass(frozen=True, slots=True)
class Found:
    """A number in a payload; `said` is None when the payload has the place but no value in it."""

    said: object
    unit: str = ""
    time_s: float | None = None
    age_s: float = 0.0


def found_in(payload: bytes, place: Place) -> list[Found]:
    """The numbers that `payload` has at this place; none where it speaks of something else.

    Raises BadPayloadError for what is no such payload.
    """
    return _FINDERS[place.format](payload, place)


def _text(payload: bytes) -> str:
    if len(payload) > _LONGEST:
        raise BadPayloadError("garbled", f"{len(payload)} bytes are no reading")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise BadPayloadError("garbled", "is not text") from None


def _find_number(payload: bytes, _: Place) -> list[Found]:
    return [Found(_text(payload))]


def _find_json(payload: bytes, place: Place) -> list[Found]:
    try:
        document = jsonpointer.loads(_text(payload))
    except jsonpointer.NotJsonError:
        raise BadPayloadError("garbled", "is not JSON") from None
    try:
        said = jsonpointer.resolve(document, place.pointer)
    except jsonpointer.NotFoundError:
        return []  # this message speaks of something else
    except ValueError as e:
        raise BadPayloadError("garbled", str(e)) from None
    time_s = None
    if place.time_pointer:
        try:
            time_s = as_number(jsonpointer.resolve(document, place.time_pointer))
        except (jsonpointer.NotFoundError, ValueError):
            time_s = None
    return [Found(said, time_s=time_s)]


def _find_senml(payload: bytes, place: Place) -> list[Found]:
    try:
        records = senml.parse(_text(payload))
    except senml.SenmlError as e:
        raise BadPayloadError("garbled", f"is not SenML ({e})") from None
    mine = [r for r in records if r.value is not None and place.record in {"", r.name}]
    if not place.record and len({r.name for r in mine}) > 1:
        raise BadPayloadError("garbled", "several records; say which one in `record`")
    found = []
    for r in mine:
        # A relative time says how long ago it was measured; that needs no clock to be right.
        age_s = -r.time_s if -_YEAR_S < r.time_s < 0 else 0.0
        found.append(Found(r.value, r.unit, r.time_s if r.is_absolute else None, age_s))
    return found


_FINDERS: dict[str, Callable[[bytes, Place], list[Found]]] = {
    "number": _find_number,
    "json": _find_json,
    "senml": _find_senml,
}
