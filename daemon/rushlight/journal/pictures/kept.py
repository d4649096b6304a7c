"""Where the diary's pictures lie: one file each beside the journal, named after its content.

A file that is gone or no longer what its name says costs its view and nothing else: readers get None.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import logging
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rushlight.journal.pictures import jpeg
from rushlight.journal.pictures.jpeg import Picture
from rushlight.journal.recovery import files

log = logging.getLogger(__name__)

FOLDER = "pictures"
_NAME = re.compile(r"[0-9a-f]{64}")
_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class Held:
    """One file: bytes, and when it was written (Unix seconds by the file system)."""

    bytes: int
    written_s: float


class Pictures:
    """The folder `pictures` in a data or backup folder; every method may be called from any thread."""

    def __init__(self, beside: Path, most_bytes: int = 1 << 62) -> None:
        self.folder, self.most_bytes = beside / FOLDER, most_bytes

    def keep(self, data: bytes) -> str:
        """Keep a picture for good; returns its name, the same for the same picture.

        Raises PictureError for what is no such picture, OSError when the disk or the bound leaves no room.
        """
        jpeg.inspect(data)
        name = name_of(data)
        with _lock:
            if self.read(name) is not None:
                return name
            self.folder.mkdir(parents=True, exist_ok=True)
            if sum(h.bytes for h in self.held().values()) + len(data) > self.most_bytes:
                raise OSError(errno.EDQUOT, "the pictures have filled their room")
            files.write_whole(self._path(name), data)
        return name

    def read(self, name: str) -> bytes | None:
        """The picture; None where there is none, or none that is whole."""
        if not _NAME.fullmatch(name):
            return None
        try:
            data = self._path(name).read_bytes()
        except OSError:
            return None
        if name_of(data) != name:
            log.warning("picture=damaged name=%s", name)
            return None
        return data

    def look(self, name: str) -> Picture | None:
        """What the picture says of itself; None where it is not whole."""
        data = self.read(name)
        with contextlib.suppress(jpeg.PictureError):
            return None if data is None else jpeg.inspect(data)
        return None

    def has(self, name: str) -> bool:
        """Whether a file of that name is there; what it holds is not looked at."""
        return bool(_NAME.fullmatch(name)) and self._path(name).is_file()

    def held(self) -> dict[str, Held]:
        """Every picture's file by name."""
        found = {}
        with contextlib.suppress(OSError):
            for path in self.folder.iterdir():
                if path.suffix == ".jpg" and _NAME.fullmatch(path.stem):
                    with contextlib.suppress(OSError):
                        seen = path.stat()
                        found[path.stem] = Held(seen.st_size, seen.st_mtime)
        return found

    def drop(self, name: str) -> None:
        """Delete a picture, if it is there.  Raises OSError."""
        if _NAME.fullmatch(name):
            self._path(name).unlink(missing_ok=True)

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}.jpg"


def name_of(data: bytes) -> str:
    """The SHA-256 of the bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def copy_missing(source: Pictures, target: Pictures, wanted: Callable[[str], bool] = lambda _: True) -> int:
    """Copy whole pictures that `target` lacks; returns how many.  Raises OSError.  The bound is the source's affair."""
    there, copied = target.held(), 0
    for name in sorted(source.held()):
        if name in there or not wanted(name):
            continue
        data = source.read(name)
        if data is None:
            continue
        try:
            jpeg.inspect(data)
        except jpeg.PictureError:
            continue
        target.folder.mkdir(parents=True, exist_ok=True)
        files.write_whole(target.folder / f"{name}.jpg", data)
        copied += 1
    return copied
