"""The ticket by which a notification acknowledges its own alarm, and nothing else.

A notification can't log in.  The link that it carries holds a ticket: the alarm, the occurrence, and a keyed hash of
both (RFC 2104), so that whoever reads the link can acknowledge this one rise of this one alarm and do no more.
Pure; who keeps the key and answers the link is the page's affair.
"""

from __future__ import annotations

import base64
import hmac

JOIN = "~"
"""Between the tickets of one message that is about several alarms."""
_HASH_BYTES = 15


def ticket(secret: bytes, alarm_id: str, occurrence: int) -> str:
    """The ticket, safe in a path: letters, digits, `-`, `_` and one dot."""
    name = f"{occurrence}:{alarm_id}".encode()
    return f"{_text(name)}.{_text(_hash(secret, name))}"


def read(secret: bytes, text: str) -> tuple[str, int] | None:
    """The alarm's id and the occurrence of a ticket that we made; None for anything else."""
    name_text, _, hash_text = text.partition(".")
    try:
        name, claimed = _bytes(name_text), _bytes(hash_text)
        if not hmac.compare_digest(claimed, _hash(secret, name)):
            return None
        occurrence, _, alarm_id = name.decode().partition(":")
        return alarm_id, int(occurrence)
    except ValueError:
        return None


def _hash(secret: bytes, name: bytes) -> bytes:
    return hmac.digest(secret, b"acknowledge:" + name, "sha256")[:_HASH_BYTES]


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
