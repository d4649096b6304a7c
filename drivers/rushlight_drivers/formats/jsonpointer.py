"""JSON Pointer (RFC 6901): finds one value inside a JSON document.

Owns the reading of pointers and of JSON text from untrusted devices.  Never guesses a near match.
"""

from __future__ import annotations

import json
import re
from typing import Any

_DEEPEST = 32
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


class NotFoundError(LookupError):
    """The pointer leads to nothing in this document."""


def parse(pointer: str) -> tuple[str, ...]:
    """The pointer's unescaped reference tokens; raises ValueError unless it is empty or begins with '/'."""
    if pointer and not pointer.startswith("/"):
        raise ValueError(f"a JSON pointer begins with '/', got {pointer!r}")
    if re.search(r"~(?![01])", pointer):
        raise ValueError(f"in a JSON pointer '~' is written '~0', got {pointer!r}")
    return tuple(t.replace("~1", "/").replace("~0", "~") for t in pointer.split("/")[1:])


def resolve(document: Any, pointer: str) -> Any:
    """The value that `pointer` names; raises NotFoundError or ValueError."""
    for token in parse(pointer):
        if isinstance(document, dict) and token in document:
            document = document[token]
        elif isinstance(document, list) and _INDEX.fullmatch(token) and int(token) < len(document):
            document = document[int(token)]
        else:
            raise NotFoundError(pointer)
    return document


class NotJsonError(ValueError):
    """The text is not one JSON value as RFC 8259 has it."""


def loads(text: bytes | str) -> Any:
    """Parse JSON from a device; raises NotJsonError whatever the bytes.

    `NaN` becomes None ('the device has no value'); a repeated name is refused, because two readers could
    take different values from it.
    """
    try:
        decoded = text.decode("utf-8") if isinstance(text, bytes) else text
        document = json.loads(decoded, parse_constant=_constant, object_pairs_hook=_pairs)
    except (ValueError, RecursionError) as e:
        raise NotJsonError(str(e)) from None
    if _is_deep(document):
        raise NotJsonError(f"is nested more than {_DEEPEST} deep")
    return document


def _is_deep(document: Any) -> bool:
    """Whether writing the document out could exhaust the stack; looks without recursion."""
    layer = [document]
    for _ in range(_DEEPEST):
        layer = [
            child
            for item in layer
            if isinstance(item, dict | list)
            for child in (item.values() if isinstance(item, dict) else item)
        ]
        if not layer:
            return False
    return True


def _constant(word: str) -> None:
    if word != "NaN":
        raise ValueError(f"{word} is not a value")


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        raise ValueError("a name occurs twice")
    return table
