"""A board on a serial port that is a pseudo-terminal: it can speak, trickle, be unplugged and come back.

A pseudo-terminal has no baud rate and no DTR line; everything else behaves as a USB port does.
"""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path


class Board:
    """A port under a stable name (`path`, a symbolic link as udev makes them), with the far end in our hands."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._fds: tuple[int, ...] = ()
        self.plug()

    @property
    def device(self) -> str:
        return str(self.path.readlink())

    def plug(self) -> None:
        """Make a new port (with a new number) and point the stable name at it."""
        far, near = os.openpty()
        tty.setraw(near)
        self._fds = (far, near)
        self.far = far
        fresh = self.path.with_name(f".{self.path.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(near))
        fresh.rename(self.path)

    def unplug(self) -> None:
        """Take the port away under whoever has it open; the name goes too."""
        self._quiet()
        self.path.unlink(missing_ok=True)
        for fd in self._fds:
            os.close(fd)
        self._fds = ()

    def say(self, data: bytes) -> None:
        if data:
            os.write(self.far, data)

    def keep_saying(self, data: bytes, every_s: float) -> None:
        """Say it again and again until unplugged."""
        self._start(lambda: self._stop.wait(every_s) or self.say(data))

    def trickle(self, data: bytes, every_s: float) -> None:
        """One byte at a time, round and round."""
        rest = iter(data * 10_000)
        self._start(lambda: self._stop.wait(every_s) or self.say(bytes([next(rest)])))

    def answer(self, reply: Callable[[bytes], bytes], end: bytes = b"\r") -> None:
        """Be an instrument: collect what is asked until `end`, then say `reply(asked)`."""
        asked = bytearray()

        def turn() -> None:
            if not select.select([self.far], [], [], 0.02)[0]:
                return
            asked.extend(os.read(self.far, 1024))
            while end and end in asked:
                question, _, rest = bytes(asked).partition(end)
                asked[:] = rest
                self.say(reply(question))
            if not end:  # a question without an end is what came in one piece
                question = bytes(asked)
                asked.clear()
                self.say(reply(question))

        self._start(turn)

    def heard(self, within_s: float = 1.0) -> bytes:
        """What the other side has sent."""
        ready = select.select([self.far], [], [], within_s)[0]
        return os.read(self.far, 4096) if ready else b""

    def close(self) -> None:
        self.unplug()

    def _start(self, turn: Callable[[], object]) -> None:
        stop = self._stop

        def run() -> None:
            while not stop.is_set():
                try:
                    turn()
                except OSError:
                    return

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        self._threads.append(thread)

    def _quiet(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(2.0)
        self._threads.clear()
        self._stop = threading.Event()
