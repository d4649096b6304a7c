"""TLS of our own: the keeper's certificate and key, and a connection that speaks it without ever waiting.

Owns the context and when its files are read again.  Handshakes happen inside the server's one loop, a step each
time bytes come; a client that stalls or sends garbage costs a socket until the server's deadline and nothing else.
"""

from __future__ import annotations

import contextlib
import logging
import ssl
import threading
from pathlib import Path
from typing import Any

from waitress.channel import HTTPChannel

log = logging.getLogger(__name__)


class Certificate:
    """A certificate chain and its key, both PEM files; read again once either has changed."""

    def __init__(self, chain: str, key: str) -> None:
        """`key` may be empty when it is in the chain's file.  Raises OSError (ssl.SSLError is one): unusable."""
        self._chain, self._key = chain, key or chain
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.minimum_version = ssl.TLSVersion.TLSv1_2
        self.context.options |= ssl.OP_NO_RENEGOTIATION
        self.context.set_alpn_protocols(["http/1.1"])
        self._seen = self._stamp()
        self._load(self.context)

    def refresh(self) -> None:
        """Take up changed files for the connections to come; what can't be used is logged, the old pair stays."""
        try:
            stamp = self._stamp()
            if stamp == self._seen:
                return
            self._seen = stamp
            # A pair that doesn't fit would spoil a context that is in use; it is tried on another one first.
            self._load(ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER))
            self._load(self.context)
        except OSError as e:
            log.warning("page=certificate-kept why=%r", str(e))
            return
        log.info("page=certificate-read file=%s", self._chain)

    def _load(self, context: ssl.SSLContext) -> None:
        # With a passphrase given, even an empty one, OpenSSL doesn't ask for one on a terminal that nobody watches.
        context.load_cert_chain(self._chain, self._key, password="")

    def _stamp(self) -> tuple[tuple[int, int, int], ...]:
        found = [Path(name).stat() for name in (self._chain, self._key)]
        return tuple((s.st_mtime_ns, s.st_ino, s.st_size) for s in found)


class _NothingYetError(Exception):
    """More bytes have to come, or go, before there is anything to read."""


class Channel(HTTPChannel):  # type: ignore[misc]  # waitress ships no types
    """A connection, plain or TLS, on which an unfinished request does not count as activity."""

    last_activity: float
    _secret: ssl.SSLSocket | None = None
    _owes = False
    """Whether the handshake has bytes to send that the socket did not take yet."""
    _gone = False

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:  # noqa: A002 - waitress's
        """As waitress makes it; wraps the socket where the server has a certificate.  Raises OSError: it can't be."""
        self._turn = threading.Lock()  # an OpenSSL connection must not be read and written at the same time
        if server.certificate is not None:
            sock.setblocking(False)
            context = server.certificate.context
            sock = self._secret = context.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        super().__init__(server, sock, addr, adj, map=map)

    def handle_read(self) -> None:
        """Take what has come."""
        before = self.last_activity
        with contextlib.suppress(_NothingYetError):
            super().handle_read()
            # What OpenSSL holds deciphered no longer shows on the socket, so it has to be asked.
            while self._pending() and self.readable():
                super().handle_read()
        if self.request is not None:
            self.last_activity = before

    def writable(self) -> bool:
        """Whether something waits to be sent."""
        return bool(super().writable()) or self._owes

    def handle_write(self) -> None:
        """Send on."""
        if self._owes and not self.will_close:
            self.handle_read()
        super().handle_write()

    def handle_close(self) -> None:
        """Say goodbye where that costs no waiting, and close."""
        if self._secret is not None:
            with self._turn:
                if not self._gone:
                    self._gone = True  # from here on nobody touches the socket: it would no longer cipher
                    with contextlib.suppress(OSError, ValueError):
                        self._secret.unwrap()
        super().handle_close()

    def recv(self, buffer_size: int) -> bytes:
        """What has come, deciphered; empty when the other end is gone.  Raises OSError: it speaks no TLS."""
        if self._secret is None:
            return bytes(super().recv(buffer_size))
        with self._turn:
            self._owes = False
            try:
                data = b"" if self._gone else self._secret.recv(buffer_size)
            except ssl.SSLWantReadError:
                raise _NothingYetError from None
            except ssl.SSLWantWriteError:
                self._owes = True
                raise _NothingYetError from None
        if not data:
            self.handle_close()
        return data

    def send(self, data: bytes, do_close: bool = True) -> int:
        """How many bytes were taken.  Raises OSError: the connection is broken."""
        if self._secret is None:
            return int(super().send(data, do_close=do_close))
        with self._turn:
            if self._gone:
                raise ConnectionResetError("the connection is closed")
            try:
                return self._secret.send(data)
            except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return 0

    def _pending(self) -> int:
        with self._turn:
            return 0 if self._secret is None or self._gone else self._secret.pending()
