"""A picture of the diary, from the form to its file and its entry.

Owns the form's fields; `journal.pictures` owns what a picture may be.  The numbers are kept whatever becomes of the
picture.
"""

from __future__ import annotations

import base64
import binascii
import logging
from collections.abc import Mapping
from typing import Any

from rushlight.journal.pictures import jpeg
from rushlight.journal.pictures.kept import Pictures, name_of
from rushlight.web.entering.fields import FieldError, number, text

log = logging.getLogger(__name__)

FORM_BYTES = jpeg.MOST_BYTES * 4 // 3 + 8 * 1024
"""The picture as letters (RFC 4648, section 5), and the fields around it."""


def content(form: Mapping[str, str]) -> bytes:
    """The picture in the form; empty where there is none.  Raises FieldError for what is no picture that is kept."""
    sent = form.get("jpeg", "").strip()
    if not sent:
        return b""
    try:
        data = base64.b64decode(sent.encode("ascii") + b"=" * (-len(sent) % 4), altchars=b"-_", validate=True)
        jpeg.inspect(data)
    except (binascii.Error, UnicodeEncodeError):
        raise FieldError("jpeg", "the picture arrived damaged; choose it again") from None
    except jpeg.PictureError as e:
        raise FieldError("jpeg", f"{e}; choose it again") from None
    return data


def body(form: Mapping[str, str], data: bytes) -> dict[str, Any]:
    """What the entry says.  Raises FieldError."""
    percent, plant = number(form, "cover_percent", most=100), text(form, "plant", 80)
    if percent is None and not data:
        raise FieldError("cover_percent", "take a picture, or give the share")
    return {
        **({"plant": plant} if plant else {}),
        **({} if percent is None else {"cover": percent / 100.0}),
        **({"picture": name_of(data)} if data else {}),
    }


def keep(pictures: Pictures | None, data: bytes) -> bool:
    """Keep the picture, where there is one and pictures are kept; False when there was no room for it."""
    if not data or pictures is None:
        return True
    try:
        pictures.keep(data)
    except OSError as e:
        log.warning("picture=not kept why=%r", str(e))
        return False
    return True
