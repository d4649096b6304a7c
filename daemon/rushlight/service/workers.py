"""Threads that are watched: each stamps a board, and the death of one ends the process.

A daemon whose threads die one by one looks healthy from outside; this one crashes loudly and is restarted.
"""

from __future__ import annotations

import faulthandler
import logging
import threading
from collections.abc import Callable

from rushlight.clock import Clock
from rushlight.host import sdnotify

log = logging.getLogger(__name__)

_TURN_S = 2.0
_HARD_LIMIT_S, _ARM_EVERY_S = 300.0, 10.0
"""The supervisor itself stuck this long: the interpreter is asked to dump its stacks and leave.  Arming it anew starts
a thread each time, which costs more than all else that an idle daemon does in a turn."""


class Workers:
    """Starts threads and supervises them."""

    def __init__(self, clock: Clock, notifier: sdnotify.Notifier, stop: threading.Event) -> None:
        self.clock, self.notifier, self.stop = clock, notifier, stop
        self.board = sdnotify.Progress(clock.mono_s)
        self.dead: list[str] = []
        self._threads: list[threading.Thread] = []
        self._wakes: list[Callable[[], None]] = []

    def stamp(self, name: str, limit_s: float) -> Callable[[], None]:
        """A worker's stamp; it must be called at least every `limit_s` seconds."""
        return self.board.join(name, limit_s)

    def start(self, thread: threading.Thread) -> None:
        """Start a thread that is to live as long as the daemon."""
        self._threads.append(thread)
        thread.start()

    def run(self, name: str, work: Callable[[], None], wake: Callable[[], None] | None = None) -> None:
        """Start a thread around a function that returns only when told to stop; `wake` ends a wait that it is in."""
        if wake is not None:
            self._wakes.append(wake)
        self.start(threading.Thread(target=work, name=name, daemon=True))

    def supervise(self, every_turn: Callable[[], None]) -> bool:
        """Feed the service manager's watchdog until told to stop; False when a worker died.

        `every_turn` is called about every two seconds and must not block.
        """
        arm_s = self.clock.mono_s()
        faulthandler.dump_traceback_later(_HARD_LIMIT_S, exit=True)
        try:
            while not self.clock.wait(self.stop, _TURN_S):
                if self.clock.mono_s() - arm_s >= _ARM_EVERY_S:
                    arm_s = self.clock.mono_s()
                    faulthandler.dump_traceback_later(_HARD_LIMIT_S, exit=True)
                self.dead = [t.name for t in self._threads if not t.is_alive()]
                if self.dead and not self.stop.is_set():
                    log.critical("workers=dead names=%s", ",".join(self.dead))
                    self.notifier.status(f"dead: {', '.join(self.dead)}")
                    return False
                every_turn()
                sdnotify.feed(self.notifier, self.board)
        finally:
            faulthandler.cancel_dump_traceback_later()
        return True

    def join(self, timeout_s: float) -> list[str]:
        """Wake the threads and wait for them to end; returns the names of those that did not."""
        for wake in self._wakes:
            wake()
        end_s = self.clock.mono_s() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, end_s - self.clock.mono_s()))
        return [t.name for t in self._threads if t.is_alive()]
