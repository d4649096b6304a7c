"""The listening end: waitress with limits, by TLS where a certificate is given.

Owns sockets and deadlines.  A request that is not complete within `REQUEST_S` is cut off, however steadily it drips,
so that slow clients cost a socket for a moment and a thread never.
"""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable
from typing import Any

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.server import TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

from rushlight.clock import Clock
from rushlight.web.entering.picture import FORM_BYTES
from rushlight.web.serving.tls_listener import Certificate, Channel

log = logging.getLogger(__name__)

REQUEST_S = 15
CONNECTIONS = 400
PER_ADDRESS = 48
"""Open at once from one address, but for a proxy's; a browser needs six, and a house may share one address."""
THREADS = 3
HEADER_BYTES = 16 * 1024
_RETRY_S = 30.0
_EVERY, _MAPPED = "::", "::ffff:"
"""All addresses of version 6, and how one of version 4 looks among them (RFC 4291, 2.5.5.2)."""
_TURN_S = 3.0
_FORWARDED = {"x-forwarded-proto", "x-forwarded-for"}


class _Server(TcpWSGIServer):  # type: ignore[misc]  # waitress ships no types
    channel_class = Channel
    certificate: Certificate | None = None

    proxy = ""

    def accept(self) -> Any:
        """One more connection, unless its address has its share: then it is closed at once."""
        found = super().accept()
        if found is None:
            return None
        connection, (address, *rest) = found
        asker = address.removeprefix(_MAPPED)
        among = sum(c.addr[0] == asker for c in list(self.active_channels.values()))
        if asker == self.proxy or among < PER_ADDRESS:
            return connection, (asker, *rest)
        connection.close()
        return None

    def bind_server_socket(self) -> None:
        """`::` means every address of both versions, as it does for Linux itself."""
        if self.adj.host == _EVERY:
            self.socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        super().bind_server_socket()

    def handle_accept(self) -> None:
        try:
            super().handle_accept()
        except OSError as e:  # gone before TLS could begin; the listening socket must live on
            log.debug("page=not-accepted why=%r", str(e))


class Server:
    """Serves an application until told to stop; a port that is taken is tried again, nothing else dies of it."""

    def __init__(
        self,
        application: Any,
        host: str,
        port: int,
        clock: Clock,
        *,
        certificate: tuple[str, str] | None = None,
        proxy: str = "",
    ) -> None:
        """`certificate`: a chain's and its key's file, for TLS.  `proxy`: the one address that may name the asker."""
        self._application, self._address, self._clock = application, (host, port), clock
        self._files, self._proxy = certificate, proxy
        self.port = port
        self.listening = threading.Event()
        self._server: Any = None
        self._waking = threading.Lock()

    def wake(self) -> None:
        """End the wait for visitors: the thread looks at once whether it is to stop.  From any thread."""
        with self._waking:  # a closed trigger's number may be another file's already
            if self._server is not None:
                self._server.pull_trigger()

    def run(self, stop: threading.Event, progress: Callable[[], None]) -> None:
        """Work until `stop` is set."""
        while not stop.is_set():
            progress()
            sockets: dict[int, Any] = {}
            try:
                server = self._open(sockets)
            except OSError as e:  # a port that is taken, or a certificate that can't be read
                log.warning("page=not-listening address=%s:%d why=%r", *self._address, str(e))
                self._clock.wait(stop, _RETRY_S)
                continue
            self._serve(server, sockets, stop, progress)

    def _open(self, sockets: dict[int, Any]) -> Any:
        host, port = self._address
        certificate = Certificate(*self._files) if self._files else None
        believed = {"trusted_proxy": self._proxy, "trusted_proxy_headers": _FORWARDED} if self._proxy else {}
        limits = Adjustments(
            host=host,
            port=port,
            threads=THREADS,
            connection_limit=CONNECTIONS,
            channel_timeout=REQUEST_S,
            cleanup_interval=3,
            max_request_body_size=FORM_BYTES,
            max_request_header_size=HEADER_BYTES,
            asyncore_use_poll=True,
            backlog=256,
            ident=None,
            url_scheme="https" if certificate else "http",
            log_socket_errors=False,
            clear_untrusted_proxy_headers=True,
            **believed,
        )
        dispatcher = ThreadedTaskDispatcher()
        try:
            server = _Server(self._application, map=sockets, dispatcher=dispatcher, adj=limits)
        except OSError:
            wasyncore.close_all(sockets)
            raise
        server.certificate, server.proxy = certificate, self._proxy
        dispatcher.set_thread_count(THREADS)
        self.port = int(server.effective_port)
        return server

    def _serve(self, server: Any, sockets: dict[int, Any], stop: threading.Event, progress: Callable[[], None]) -> None:
        log.info("page=listening address=%s:%d", self._address[0], self.port)
        self._server = server
        self.listening.set()
        try:
            while not stop.is_set():
                progress()
                if server.certificate is not None:
                    server.certificate.refresh()
                wasyncore.loop(timeout=_TURN_S, use_poll=True, map=sockets, count=1)
        finally:
            with self._waking:
                self._server = None
            server.task_dispatcher.shutdown(timeout=2)
            wasyncore.close_all(sockets)
