"""A summary ready to be sent: text, HTML and pictures, and how it travels through the outbox as one string."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass, field

_MARK = '{"letter": 1, '


@dataclass(frozen=True, slots=True)
class Letter:
    """`pictures` are PNG or JPEG bytes by name; the HTML refers to them as `cid:name`."""

    subject: str
    text: str
    html: str
    pictures: Mapping[str, bytes] = field(default_factory=dict)


def pack(letter: Letter) -> str:
    """The letter as the body of a message."""
    pictures = {name: base64.b64encode(png).decode() for name, png in letter.pictures.items()}
    rest = {"subject": letter.subject, "text": letter.text, "html": letter.html, "pictures": pictures}
    return _MARK + json.dumps(rest, ensure_ascii=False)[1:]


def unpack(body: str) -> Letter | None:
    """The letter in a message's body; None if the body is plain text.  Raises ValueError where it is a torn letter."""
    if not body.startswith(_MARK):
        return None
    held = json.loads(body)
    pictures = {name: base64.b64decode(text, validate=True) for name, text in held["pictures"].items()}
    return Letter(held["subject"], held["text"], held["html"], pictures)
