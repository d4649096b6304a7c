"""Reads the kernel's files through a child process that can be killed.

Owns the child: a read from a 1-wire or I²C driver can hang inside the kernel for seconds or for ever, and a
thread that hangs there can be neither stopped nor replaced.  So each read runs in a `head` of its own, one at a
time, with a deadline; a child that outlives its deadline is killed, and one that can't even be killed is left
behind and said so.  Never interprets what was read.
"""

from __future__ import annotations

import contextlib
import subprocess
import threading
from collections.abc import Sequence
from typing import Literal

from rushlight_drivers.contract import Monotonic

_MOST_BYTES = 4096
_DYING_S = 0.3
_LOOK_S = 0.1

Why = Literal["missing", "refused", "hung", "stuck", "broken off"]


class UnreadableError(Exception):
    """A file gave no content, and why.

    `missing`: no such file; `refused`: the kernel answered with an error; `hung`: no answer in time, child
    killed; `stuck`: no answer, and the child can't be killed; `broken off`: the driver is being closed.
    """

    def __init__(self, why: Why, detail: str) -> None:
        super().__init__(detail)
        self.why: Why = why


class ChildReader:
    """Reads and writes small files, one child at a time; `broken` breaks off whatever it is doing."""

    def __init__(self, monotonic: Monotonic, broken: threading.Event) -> None:
        self._monotonic, self._broken = monotonic, broken
        self._stuck: dict[str, subprocess.Popen[bytes]] = {}

    def read(self, path: str, within_s: float) -> bytes:
        """The first 4096 bytes of `path`; raises UnreadableError within `within_s` seconds and a bit."""
        return self._run(["head", "-c", str(_MOST_BYTES), "--", path], path, b"", within_s)

    def write(self, path: str, data: bytes, within_s: float) -> None:
        """Write `data` to `path`; raises UnreadableError."""
        self._run(["tee", "--", path], path, data, within_s)

    def left_behind(self) -> Sequence[str]:
        """The paths whose reading has a child hanging in the kernel."""
        for path in [p for p, child in self._stuck.items() if child.poll() is not None]:
            del self._stuck[path]
        return tuple(self._stuck)

    def _run(self, command: Sequence[str], path: str, data: bytes, within_s: float) -> bytes:
        if path in self.left_behind():
            raise UnreadableError("stuck", f"an earlier read of {path} still hangs in the kernel and can't be killed")
        pipe = subprocess.PIPE
        child = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, env=_ENVIRONMENT)  # noqa: S603 - fixed programs, one path
        try:
            out, err = self._talk(child, data, path, within_s)
        finally:
            self._bury(child, path)
        if child.returncode:
            raise _refusal(path, err)
        return out

    def _talk(self, child: subprocess.Popen[bytes], data: bytes, path: str, within_s: float) -> tuple[bytes, bytes]:
        """Both outputs of the child; waits in slices so that closing the driver is not held up."""
        deadline_s = self._monotonic() + within_s
        send: bytes | None = data
        while True:
            left_s = deadline_s - self._monotonic()
            if left_s <= 0:
                raise UnreadableError("hung", f"{path} did not answer within {within_s:.1f} s; the read was killed")
            if self._broken.is_set():
                raise UnreadableError("broken off", "closing")
            with contextlib.suppress(subprocess.TimeoutExpired):
                return child.communicate(send, timeout=min(left_s, _LOOK_S))
            send = None

    def _bury(self, child: subprocess.Popen[bytes], path: str) -> None:
        """Kill the child if it still runs; if it does not die, remember it rather than wait for it."""
        if child.poll() is None:
            child.kill()
            try:
                child.wait(_DYING_S)
            except subprocess.TimeoutExpired:
                self._stuck[path] = child
        for pipe in (child.stdin, child.stdout, child.stderr):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        if path in self._stuck:
            raise UnreadableError("stuck", f"{path} hangs in the kernel and its reader can't be killed; left behind")


_ENVIRONMENT = {"PATH": "/usr/bin:/bin", "LC_ALL": "C"}


def _refusal(path: str, stderr: bytes) -> UnreadableError:
    """What the child complained of, without the part that names the child."""
    said = stderr.decode("utf-8", "replace").strip().rsplit(": ", 1)[-1] or "the read failed"
    missing = said in {"No such file or directory", "Not a directory", "No such device"}
    return UnreadableError("missing" if missing else "refused", f"{path}: {said}")
