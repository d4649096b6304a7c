"""What a picture of the diary may be: a small JPEG without a word of where and by what it was taken.

Owns the reading of its segments (ITU-T T.81, B.1 and B.2).  Nothing is decoded: a browser does that, or shows none.
A phone's own file carries place and device in APP1 (Exif, XMP) and others; the page makes a new one without them, and
what has them all the same is refused here.  The one comment allowed is the page's: where the plants and the mark lay.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MOST_BYTES = 90_000
LONGEST_PX = 1280
_COMMENT = re.compile(rb"rushlight plants((?: [01]\.\d{4}){8})(?: mark((?: [01]\.\d{4}){2}))?")
_FRAMES = frozenset({0xC0, 0xC1, 0xC2})
"""Start of a frame: baseline, extended, progressive; all that browsers write and read."""
_TABLES = frozenset({0xC4, 0xDB, 0xDD})
_APP0, _APP2, _COM, _SOS, _EOI = 0xE0, 0xE2, 0xFE, 0xDA, 0xD9
_PROFILE = b"ICC_PROFILE\0"


class PictureError(ValueError):
    """It is no picture that is kept; the message says why."""


@dataclass(frozen=True, slots=True)
class Picture:
    """Size in pixels, and what was marked in it, each place as shares of width and height from the top left."""

    width: int
    height: int
    frame: tuple[float, ...] = ()
    """x and y of the four corners about the plants; empty where nothing was marked."""
    mark: tuple[float, ...] = ()
    """x and y of the white or grey mark."""


def inspect(data: bytes) -> Picture:
    """What a picture says of itself.  Raises PictureError for whatever is not kept."""
    if len(data) > MOST_BYTES:
        raise PictureError(f"the picture is larger than {MOST_BYTES // 1000} kB")
    if data[:2] != b"\xff\xd8":
        raise PictureError("the picture is no JPEG")
    read = _Read()
    at = 2
    while not read.ended:
        at = read.take(data, at)
    if at != len(data):
        raise PictureError("something follows the picture's end")
    if read.size is None or not read.scans:
        raise PictureError("the picture has no content")
    return _marked(read.size, read.comment)


class _Read:
    """What was read so far."""

    def __init__(self) -> None:
        self.size: tuple[int, int] | None = None
        self.comment, self.scans, self.ended = b"", 0, False

    def take(self, data: bytes, at: int) -> int:
        """One segment, with the coded data after it; returns where the next begins."""
        marker, body, at = _segment(data, at)
        if marker == _EOI:
            self.ended = True
        elif marker in _FRAMES:
            self.size = _size(body, self.size)
        elif marker == _COM:
            self.comment = _only(self.comment, body)
        elif marker == _SOS:
            self.scans += 1
            return _scanned(data, at)
        elif marker not in _TABLES and not _harmless(marker, body):
            raise PictureError("the picture carries more than a picture, such as place or device")
        return at


def _segment(data: bytes, at: int) -> tuple[int, bytes, int]:
    """The marker at `at`, what its segment holds, and where the next begins."""
    if data[at : at + 1] != b"\xff" or at + 1 >= len(data):
        raise PictureError("the picture is torn")
    marker = data[at + 1]
    if marker == _EOI:
        return marker, b"", at + 2
    length = int.from_bytes(data[at + 2 : at + 4], "big")
    if length < 2 or at + 2 + length > len(data):
        raise PictureError("the picture is torn")
    return marker, data[at + 4 : at + 2 + length], at + 2 + length


def _scanned(data: bytes, at: int) -> int:
    """Where the next marker stands after coded data: a stuffed 0 and restarts belong to the data."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise PictureError("the picture is torn")
        if data[at + 1] != 0 and not 0xD0 <= data[at + 1] <= 0xD7:
            return at
        at += 2


def _size(body: bytes, before: tuple[int, int] | None) -> tuple[int, int]:
    if before is not None or len(body) < 6:
        raise PictureError("the picture has no clear size")
    height, width = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
    if not (1 <= width <= LONGEST_PX and 1 <= height <= LONGEST_PX):
        raise PictureError(f"the picture is longer than {LONGEST_PX} pixels")
    return width, height


def _only(comment: bytes, body: bytes) -> bytes:
    if comment or not _COMMENT.fullmatch(body):
        raise PictureError("the picture carries words")
    return body


def _harmless(marker: int, body: bytes) -> bool:
    """JFIF's own header without a thumbnail, and a colour profile."""
    if marker == _APP0:
        return body[:5] == b"JFIF\0" and len(body) == 14
    return marker == _APP2 and body.startswith(_PROFILE)


def _marked(size: tuple[int, int], comment: bytes) -> Picture:
    found = _COMMENT.fullmatch(comment)
    if found is None:
        return Picture(*size)
    frame, mark = (tuple(float(n) for n in (part or b"").split()) for part in found.groups())
    if max(*frame, *mark, 0.0) > 1.0:
        raise PictureError("the picture's marks lie outside it")
    return Picture(*size, frame, mark)
