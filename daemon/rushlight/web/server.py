"""The listening end: waitress with limits, and TLS in front of it where a certificate is given.

Owns sockets and deadlines.  A request that is not complete within `REQUEST_S` is cut off, however steadily it drips,
so that slow clients cost a socket for a moment and a thread never.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Any

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

from rushlight.clock import Clock
from rushlight.web.http import BODY_BYTES

log = logging.getLogger(__name__)

REQUEST_S = 15
CONNECTIONS = 400
THREADS = 3
HEADER_BYTES = 16 * 1024
_RETRY_S = 30.0
_TURN_S = 1.0


class _Channel(HTTPChannel):  # type: ignore[misc]  # waitress ships no types
    """A connection on which an unfinished request does not count as activity."""

    last_activity: float

    def handle_read(self) -> None:
        before = self.last_activity
        super().handle_read()
        if self.request is not None:
            self.last_activity = before


class _Server(TcpWSGIServer):  # type: ignore[misc]
    channel_class = _Channel


class Server:
    """Serves an application until told to stop; a port that is taken is tried again, nothing else dies of it."""

    def __init__(self, application: Any, host: str, port: int, clock: Clock, *, https: bool = False) -> None:
        self._application, self._address, self._clock, self._https = application, (host, port), clock, https
        self.port = port
        self.listening = threading.Event()

    def run(self, stop: threading.Event, progress: Callable[[], None]) -> None:
        """Work until `stop` is set."""
        while not stop.is_set():
            progress()
            sockets: dict[int, Any] = {}
            try:
                server = self._open(sockets)
            except OSError as e:
                log.warning("page=not-listening address=%s:%d why=%r", *self._address, str(e))
                self._clock.wait(stop, _RETRY_S)
                continue
            self._serve(server, sockets, stop, progress)

    def _open(self, sockets: dict[int, Any]) -> Any:
        host, port = self._address
        limits = Adjustments(
            host=host,
            port=port,
            threads=THREADS,
            connection_limit=CONNECTIONS,
            channel_timeout=REQUEST_S,
            cleanup_interval=3,
            max_request_body_size=BODY_BYTES,
            max_request_header_size=HEADER_BYTES,
            asyncore_use_poll=True,
            backlog=256,
            ident=None,
            url_scheme="https" if self._https else "http",
            clear_untrusted_proxy_headers=True,
        )
        dispatcher = ThreadedTaskDispatcher()
        try:
            server = _Server(self._application, map=sockets, dispatcher=dispatcher, adj=limits)
        except OSError:
            wasyncore.close_all(sockets)
            raise
        dispatcher.set_thread_count(THREADS)
        self.port = int(server.effective_port)
        return server

    def _serve(self, server: Any, sockets: dict[int, Any], stop: threading.Event, progress: Callable[[], None]) -> None:
        log.info("page=listening address=%s:%d", self._address[0], self.port)
        self.listening.set()
        try:
            while not stop.is_set():
                progress()
                wasyncore.loop(timeout=_TURN_S, use_poll=True, map=sockets, count=1)
        finally:
            server.task_dispatcher.shutdown(timeout=2)
            wasyncore.close_all(sockets)
