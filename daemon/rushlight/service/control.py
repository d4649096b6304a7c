"""The running daemon's door for the commands on the same machine: a Unix socket, one JSON line each way.

Owns the socket and its file.  Whoever may write the data folder may use it (mode 0660); nothing on the network can.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import socket
import socketserver
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

log = logging.getLogger(__name__)

SOCKET_NAME = "control.sock"
FOLDERS_BY_NUMBER = Path("/proc/self/fd")
_LONGEST_ADDRESS = 107
_LONGEST_LINE = 1_000_000
_DEADLINE_S = 15.0
_TURN_S = 60.0
"""So long the socket waits for a caller before it looks around; closing it ends the wait."""

Answer = Mapping[str, Any]
Handler = Callable[[Mapping[str, Any]], Answer]


class NotRunningError(Exception):
    """No daemon answers at the socket; `forbidden`: this user may not ask."""

    def __init__(self, why: str, *, forbidden: bool = False) -> None:
        super().__init__(why)
        self.forbidden = forbidden


class NoAnswerError(RuntimeError):
    """The request went out and no answer came back: nobody knows what became of it."""


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """An address for a socket in a folder however deep: the kernel takes no more than 107 bytes (unix(7)).

    A deep one is named by way of /proc, and where that is missing by a link in a folder for files of the moment.
    """
    if len(os.fsencode(path)) <= _LONGEST_ADDRESS:
        yield str(path)
    elif FOLDERS_BY_NUMBER.is_dir():
        fd = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            yield f"{FOLDERS_BY_NUMBER}/{fd}/{path.name}"
        finally:
            os.close(fd)
    else:
        with tempfile.TemporaryDirectory() as near:
            link = Path(near) / "d"
            link.symlink_to(path.parent.absolute())
            yield f"{link}/{path.name}"


class _Request(socketserver.StreamRequestHandler):
    timeout = _DEADLINE_S

    def handle(self) -> None:
        assert isinstance(self.server, _Server)
        try:
            asked = json.loads(self.rfile.readline(_LONGEST_LINE))
            answer = self.server.answer(asked) if isinstance(asked, dict) else {"error": "expected a JSON object"}
        except (ValueError, OSError, RecursionError) as e:
            answer = {"error": f"not understood ({e})"}
        with contextlib.suppress(OSError):
            self.wfile.write(json.dumps(answer).encode() + b"\n")


class _Server(socketserver.ThreadingUnixStreamServer):
    daemon_threads = True
    request_queue_size = 16

    def __init__(self, path: Path, answer: Handler) -> None:
        self.answer = answer
        path.unlink(missing_ok=True)
        with _short(path) as address:
            super().__init__(address, _Request)
        path.chmod(0o660)
        self.inode = path.stat().st_ino


class Control:
    """Serves `handlers` (name to function) on a socket in `folder`; a request names one with `do`."""

    def __init__(self, folder: Path, handlers: Mapping[str, Handler]) -> None:
        self._handlers = handlers
        self._path = folder / SOCKET_NAME
        self._server = _Server(self._path, self._answer)
        self._thread = threading.Thread(target=self._server.serve_forever, args=[_TURN_S], name="control", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """Stop serving and remove the socket."""
        self._server.socket.shutdown(socket.SHUT_RDWR)  # ends the wait for callers
        self._server.shutdown()
        self._server.server_close()
        with contextlib.suppress(OSError):
            if self._path.stat().st_ino == self._server.inode:  # another may have taken its place
                self._path.unlink()

    def _answer(self, asked: Mapping[str, Any]) -> Answer:
        handler = self._handlers.get(str(asked.get("do")))
        if handler is None:
            return {"error": f"no such request: {asked.get('do')!r}"}
        try:
            return handler(asked)
        except Exception as e:  # noqa: BLE001 - the caller is told; the daemon goes on
            log.warning("control=%s error=%r", asked.get("do"), str(e))
            return {"error": str(e)}


def answers(folder: Path) -> bool:
    """Whether somebody serves the socket of a folder."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as s:
        try:
            with _short(folder / SOCKET_NAME) as address:
                s.connect(address)
        except OSError:
            return False
    return True


def ask(folder: Path, **request: Any) -> dict[str, Any]:
    """Put one request to the running daemon.

    Raises `NotRunningError`, `NoAnswerError`, or RuntimeError with the daemon's words.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as s:
        s.settimeout(_DEADLINE_S * 2)
        try:
            with _short(folder / SOCKET_NAME) as address:
                s.connect(address)
        except OSError as e:
            raise NotRunningError(str(e), forbidden=isinstance(e, PermissionError)) from None
        try:
            s.sendall(json.dumps(request).encode() + b"\n")
            with s.makefile("rb") as answer_file:
                answer: dict[str, Any] = json.loads(answer_file.readline())
        except (OSError, ValueError) as e:
            raise NoAnswerError(f"the daemon was asked and did not answer ({e})") from None
    if "error" in answer:
        raise RuntimeError(answer["error"])
    return answer
