"""A file layer under SQLite that can lose, tear and refuse what is written: the disk of a board without a battery.

SQLite's own layer does the work; between the two stands this one (sqlite.org/vfs.html: a shim), put there through
the C interface.  It keeps, file by file, what has been synced, and what has been written since; when the power goes,
of the latter any 512-byte sectors may have reached the card and any not.  Nothing is really synced, so it is fast.
"""

from __future__ import annotations

import _sqlite3
import contextlib
import ctypes as c
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

OK, FULL, IOERR_WRITE, IOERR_FSYNC, IOERR_TRUNCATE, IOERR_DELETE = 0, 13, 778, 1034, 1546, 2570
SECTOR = 512
_P, _I, _L = c.c_void_p, c.c_int, c.c_int64


class _Vfs(c.Structure):
    _fields_ = (
        *((n, _I) for n in ("version", "size", "longest")),
        *((n, _P) for n in ("next", "name", "data", "xOpen", "xDelete")),
        ("others", _P * 13),
    )


class _Methods(c.Structure):
    _fields_ = (
        ("version", _I),
        *((n, _P) for n in ("xClose", "xRead", "xWrite", "xTruncate", "xSync")),
        ("others", _P * 13),
    )


_OPEN = c.CFUNCTYPE(_I, _P, _P, _P, _I, _P)
_DELETE = c.CFUNCTYPE(_I, _P, _P, _I)
_WRITE = c.CFUNCTYPE(_I, _P, _P, _I, _L)
_TRUNCATE = c.CFUNCTYPE(_I, _P, _L)
_SYNC = c.CFUNCTYPE(_I, _P, _I)


_KEPT: list[object] = []
"""What SQLite may still call when a connection is closed late."""


@dataclass
class _File:
    path: str
    inode: int
    synced: bytearray
    since: list[tuple[int, bytes | None]] = field(default_factory=list)
    """Offset and data of each write; None cuts the file there."""

    def settle(self) -> None:
        for at, data in self.since:
            _apply(self.synced, at, data)
        self.since.clear()

    def torn(self, chance: random.Random) -> bytes:
        """What may be found after the power came back."""
        image, keep = bytearray(self.synced), chance.choice((0.0, 0.3, 0.9, 1.0))
        for at, data in self.since:
            if data is None:
                if chance.random() < keep:
                    _apply(image, at, None)
                continue
            for begin in range(0, len(data), SECTOR):
                if chance.random() < keep:
                    _apply(image, at + begin, data[begin : begin + SECTOR])
        return bytes(image)


def _apply(image: bytearray, at: int, data: bytes | None) -> None:
    if data is None:
        del image[at:]
        return
    if len(image) < at:
        image.extend(bytes(at - len(image)))
    image[at : at + len(data)] = data


class TornFiles:
    """The disk.  Use `with disk.mounted():` around everything that opens a database below `folder`."""

    def __init__(self, folder: Path, chance: random.Random) -> None:
        self.folder, self._chance = str(folder.resolve()), chance
        self._files: dict[str, _File] = {}
        self._at: dict[int, _File] = {}
        self._vfs_of: dict[int, int] = {}
        self.full = self.read_only = self.dead = self.lying = False
        """`lying`: the card says that it has synced and has not."""
        self.dies_in: int | None = None
        """So many writes and syncs from now the power goes."""
        self.on_sync: Callable[[], None] = lambda: None
        self.lost_writes = 0

    # ------------------------------------------------------------------ between SQLite and its own layer

    @contextlib.contextmanager
    def mounted(self) -> Iterator[None]:
        lib = c.CDLL(_sqlite3.__file__)
        lib.sqlite3_vfs_find.restype, lib.sqlite3_vfs_find.argtypes = c.POINTER(_Vfs), (c.c_char_p,)
        lib.sqlite3_vfs_register.argtypes = (_P, _I)
        lib.sqlite3_vfs_unregister.argtypes = (_P,)
        real = lib.sqlite3_vfs_find(None)
        mine, name = _Vfs(), c.create_string_buffer(b"torn")
        c.memmove(c.byref(mine), real, c.sizeof(_Vfs))
        mine.next, mine.name = None, c.addressof(name)
        self._real = c.cast(real, _P).value
        self._open, self._delete = _OPEN(real.contents.xOpen), _DELETE(real.contents.xDelete)
        kept = (_OPEN(self._on_open), _DELETE(self._on_delete))
        mine.xOpen, mine.xDelete = (c.cast(k, _P).value for k in kept)
        self._tables: dict[int, tuple[object, ...]] = {}
        _KEPT.append((mine, name, kept, self._tables))
        lib.sqlite3_vfs_register(c.byref(mine), 1)
        try:
            yield
        finally:
            lib.sqlite3_vfs_register(self._real, 1)
            lib.sqlite3_vfs_unregister(c.byref(mine))
            self._files.clear()
            self._at.clear()

    def _on_open(self, _vfs: int, name: int, file: int, flags: int, out: int) -> int:
        done = self._open(self._real, name, file, flags, out)
        path = c.string_at(name).decode() if name else ""
        if done != OK or not path.startswith(self.folder):
            return int(done)
        inode = Path(path).stat().st_ino
        if path not in self._files or self._files[path].inode != inode:
            self._files[path] = _File(path, inode, bytearray(Path(path).read_bytes()))
        self._at[file] = self._files[path]
        methods = c.cast(file, c.POINTER(_P))
        methods[0] = self._table(methods[0])
        return OK

    def _table(self, real: int) -> int:
        if real not in self._tables:
            table = _Methods()
            c.memmove(c.byref(table), real, c.sizeof(_Methods))
            write, cut = _WRITE(table.xWrite), _TRUNCATE(table.xTruncate)
            kept = (
                _WRITE(lambda f, data, n, at: self._on_write(write, f, data, n, at)),
                _TRUNCATE(lambda f, size: self._on_cut(cut, f, size)),
                _SYNC(self._on_sync),
            )
            table.xWrite, table.xTruncate, table.xSync = (c.cast(k, _P).value for k in kept)
            self._tables[real] = (table, *kept)
        return c.addressof(self._tables[real][0])  # type: ignore[arg-type]

    def _refuses(self) -> bool:
        if self.dies_in is not None and not self.dead:
            self.dies_in -= 1
            self.dead = self.dies_in < 0
        return self.dead or self.read_only

    def _on_write(self, real: Callable[..., int], file: int, data: int, n: int, at: int) -> int:
        if self._refuses():
            return IOERR_WRITE
        if self.full and at + n > Path(self._at[file].path).stat().st_size:
            return FULL
        self._at[file].since.append((at, c.string_at(data, n)))
        return real(file, data, n, at)

    def _on_cut(self, real: Callable[..., int], file: int, size: int) -> int:
        if self._refuses():
            return IOERR_TRUNCATE
        self._at[file].since.append((size, None))
        return real(file, size)

    def _on_sync(self, file: int, _flags: int) -> int:
        if self._refuses():
            return IOERR_FSYNC
        if not self.lying:
            self._at[file].settle()
        self.on_sync()
        return OK

    def _on_delete(self, _vfs: int, name: int, sync: int) -> int:
        path = c.string_at(name).decode()
        if path.startswith(self.folder):
            if self._refuses():
                return IOERR_DELETE
            self._files.pop(path, None)
        return int(self._delete(self._real, name, sync))

    # ------------------------------------------------------------------ the faults

    def spoil(self, path: Path, at: int, noise: bytes) -> None:
        """The card forgets: what was there reads as noise from now on."""
        with path.open("r+b") as f:
            f.seek(at)
            f.write(noise)
        if str(path) in self._files:
            self._files[str(path)].settle()
            _apply(self._files[str(path)].synced, at, noise)

    def after_power_loss(self) -> None:
        """Put in place what the card holds; every connection must be closed by now."""
        for path, held in self._files.items():
            file = Path(path)
            if not file.exists() or path.endswith("-shm"):
                continue
            self.lost_writes += len(held.since)
            image = held.torn(self._chance)
            file.unlink()
            file.write_bytes(image)
            Path(path + "-shm").unlink(missing_ok=True)
        self._files.clear()
        self._at.clear()
        self.dead, self.dies_in = False, None

    @contextlib.contextmanager
    def seen(self) -> Iterator[None]:  # noqa: C901 - four short stand-ins
        """What Python itself opens, renames and asks about the file system meets the same disk."""
        real = {n: getattr(os, n) for n in ("open", "rename", "statvfs", "posix_fallocate")}

        def here(path: object) -> bool:
            return isinstance(path, str | os.PathLike) and str(os.fspath(path)).startswith(self.folder)

        def opened(path: object, flags: int, *args: object, **more: object) -> int:
            if here(path) and flags & os.O_CREAT and (self.dead or self.read_only):
                raise OSError(30, "Read-only file system", str(path))
            return int(real["open"](path, flags, *args, **more))

        def renamed(a: object, b: object, **more: object) -> None:
            if here(a) and (self.dead or self.read_only):
                raise OSError(30, "Read-only file system", str(a))
            real["rename"](a, b, **more)

        def space(path: object) -> object:
            v = list(real["statvfs"](path))
            if here(path) and self.full:
                v[3] = v[4] = 0
            if here(path) and self.read_only:
                v[8] |= os.ST_RDONLY
            return os.statvfs_result(v)

        def reserved(fd: int, at: int, n: int) -> None:
            if self.full:
                raise OSError(28, "No space left on device")
            real["posix_fallocate"](fd, at, n)

        for name, stand_in in (
            ("open", opened),
            ("rename", renamed),
            ("statvfs", space),
            ("posix_fallocate", reserved),
        ):
            setattr(os, name, stand_in)
        try:
            yield
        finally:
            for name, was in real.items():
                setattr(os, name, was)
