"""A publisher for MQTT 3.1.1 over TLS that never waits without end.

Owns the packets that a publisher needs (OASIS MQTT 3.1.1: CONNECT, PUBLISH at quality of service 1, DISCONNECT, and
the answers to them) and one connection.  Own code, because a board that is left alone must not hang in a handshake
or behind a broker that stopped answering: every wait here has an end and feeds the watchdog meanwhile.  Runs under
MicroPython with its module `tls` (tried with 1.25).
"""

import errno
import select
import socket
import time

import tls

UNREACHED, UNTRUSTED, REFUSED, LOST = "unreached", "untrusted", "refused", "lost"
"""Kinds of trouble: nobody there; a certificate that is not trusted; user or password refused; no answer any more."""

_REFUSALS = {
    1: "speaks another version of MQTT",
    2: "does not want this board's name",
    3: "is not ready",
    4: "refuses user or password",
    5: "refuses user or password",
}
"""Return codes of CONNACK (MQTT 3.1.1, table 3.1)."""


class Trouble(Exception):  # noqa: N818 - the word people read
    """Why nothing can be sent: `kind` for the lamp, `text` for the serial line."""

    def __init__(self, kind, text):
        super().__init__(text)
        self.kind, self.text = kind, text


def text_field(text):
    """A UTF-8 string with its length before it (MQTT 3.1.1, 1.5.3), as bytes."""
    data = text.encode() if isinstance(text, str) else text
    return bytes([len(data) >> 8, len(data) & 0xFF]) + data


def packet(first, body):
    """A whole packet: its first byte, the remaining length (2.2.3: seven bits a byte, lowest first), the body."""
    left, head = len(body), bytes([first])
    while True:
        left, low = left >> 7, left & 0x7F
        head += bytes([low | 0x80 if left else low])
        if not left:
            return head + body


class Publisher:
    """One connection, opened anew as often as needed.

    `ca` is the certificate authority as DER bytes; `server_name` is what the broker's certificate has to be for.
    `feed` is called in every wait.
    """

    def __init__(self, name, user, password, ca, server_name, keepalive_s, feed):
        self._hello = packet(
            0x10,
            text_field("MQTT")
            + bytes([4, 0xC2, keepalive_s >> 8, keepalive_s & 0xFF])  # level 4; user, password, clean session
            + text_field(name)
            + text_field(user)
            + text_field(password),
        )
        self._ca, self._server_name, self._feed = ca, server_name, feed
        self._socket = self._stream = None
        self._id = 0

    @property
    def is_open(self):
        """Whether the last that was known of the connection is that it stands."""
        return self._stream is not None

    def open(self, host, port, within_ms):
        """Connect, prove the broker, introduce the board; raises Trouble."""
        self.close()
        until = time.ticks_add(time.ticks_ms(), within_ms)
        try:
            self._reach(host, port, until)
            self._secure(until)
            answer = self._exchange(self._hello, 4, until)
        except Trouble:
            self.close()
            raise
        if answer[0] != 0x20 or answer[3]:
            self.close()
            raise Trouble(REFUSED, "the broker " + _REFUSALS.get(answer[3], "refuses the board"))

    def publish(self, topic, payload, within_ms):
        """Send one message and wait for the broker's word that it has it; raises Trouble."""
        if self._stream is None:
            raise Trouble(LOST, "not connected")
        self._id = self._id % 0xFFFF + 1
        number = bytes([self._id >> 8, self._id & 0xFF])
        until = time.ticks_add(time.ticks_ms(), within_ms)
        try:
            answer = self._exchange(packet(0x32, text_field(topic) + number + payload), 4, until)
        except Trouble:
            self.close()
            raise
        if answer[0] != 0x40 or answer[2:] != number:
            self.close()
            raise Trouble(LOST, "the broker answers what was not asked")

    def close(self):
        """End the connection without ceremony; never raises."""
        for thing in (self._stream, self._socket):
            try:
                if thing is not None:
                    thing.close()
            except OSError:
                pass
        self._socket = self._stream = None

    def _reach(self, host, port, until):
        try:
            address = socket.getaddrinfo(host, port, socket.AF_INET, socket.SOCK_STREAM)[0][-1]
        except OSError:
            raise Trouble(UNREACHED, "no address is known for " + host) from None
        self._feed()
        self._socket = socket.socket()
        self._socket.setblocking(False)
        try:
            self._socket.connect(address)
        except OSError as e:
            if e.errno != errno.EINPROGRESS:
                raise Trouble(UNREACHED, "nobody answers at " + host) from None
        poll = select.poll()
        poll.register(self._socket, select.POLLOUT)
        while True:
            found = poll.poll(50)
            if found:
                if found[0][1] & (select.POLLERR | select.POLLHUP):
                    raise Trouble(UNREACHED, "nobody answers at " + host)
                return
            self._wait(until, UNREACHED, "nobody answers at " + host)

    def _secure(self, until):
        """Put TLS over the socket; the handshake itself happens with the first bytes."""
        context = tls.SSLContext(tls.PROTOCOL_TLS_CLIENT)
        context.verify_mode = tls.CERT_REQUIRED
        try:
            context.load_verify_locations(self._ca)
            self._stream = context.wrap_socket(
                self._socket, server_hostname=self._server_name, do_handshake_on_connect=False
            )
        except (OSError, ValueError) as e:
            raise Trouble(UNTRUSTED, "the file of the certificate authority can't be used: " + _words(e)) from None
        self._wait(until, LOST, "no time left")

    def _exchange(self, data, count, until):
        """Write all of `data` and read an answer of `count` bytes."""
        try:
            view = memoryview(data)
            while view:
                written = self._stream.write(view)
                if written:
                    view = view[written:]
                else:
                    self._wait(until, LOST, "the broker takes nothing any more")
            answer = b""
            while len(answer) < count:
                part = self._stream.read(count - len(answer))
                if part:
                    answer += part
                elif part is None:
                    self._wait(until, LOST, "the broker does not answer")
                else:
                    raise Trouble(LOST, "the broker ended the connection")
        except ValueError as e:  # what MicroPython raises when a certificate is not trusted, with the reason as text
            raise Trouble(UNTRUSTED, "the broker's certificate is not trusted: " + _words(e)) from None
        except OSError as e:
            raise Trouble(LOST, "the connection broke: " + _words(e)) from None
        return answer

    def _wait(self, until, kind, text):
        self._feed()
        if time.ticks_diff(until, time.ticks_ms()) <= 0:
            raise Trouble(kind, text)
        time.sleep_ms(5)


def _words(error):
    return " ".join(str(error).split())
