"""The hub's broker: one MQTT client and the thread that it runs on.

Owns connecting, reconnecting with growing pauses, the last will and the session.  Decides nothing: whatever
happens goes into the inbox, and the hub's own thread works it off.  An exception in one of the client library's
callbacks would end its thread while the client goes on calling itself connected, so every callback is wrapped.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from rushlight.outlets.net import verified_tls
from rushlight.settings import Mqtt

log = logging.getLogger(__name__)

MOST_WAITING = 1_000
"""Commands held for the hub's thread; beyond this they are dropped unacknowledged, and nobody is told 'done'."""
SESSION_S = 300
"""How long the broker keeps commands while the daemon restarts: long enough for a restart, short enough that a press
on a button still means now."""
SHORTEST_WAIT_S, LONGEST_WAIT_S = 1, 120
_TAKEN_OVER = 142  # MQTT 5, section 3.14.2.1: session taken over
_JOIN_S = 5.0


@dataclass(frozen=True, slots=True)
class Happened:
    """One thing that the client reported."""

    what: Literal["connected", "refused", "unreachable", "lost", "sent", "subscribed", "message", "died"]
    why: str = ""
    mid: int = 0
    topic: str = ""
    payload: bytes = b""
    retained: bool = False
    qos: int = 0
    taken_over: bool = False


class Inbox:
    """What happened, in order; filled by the client's thread and emptied by the hub's."""

    def __init__(self, wake: threading.Event) -> None:
        self._items: deque[Happened] = deque()
        self._messages = 0
        self._lock = threading.Lock()
        self._wake = wake
        self.dropped = 0

    def put(self, item: Happened) -> bool:
        """Add one; False when it is a message and there is no room."""
        with self._lock:
            if item.what == "message":
                if self._messages >= MOST_WAITING:
                    self.dropped += 1
                    return False
                self._messages += 1
            self._items.append(item)
        self._wake.set()
        return True

    def take(self) -> list[Happened]:
        """Everything so far."""
        with self._lock:
            out = list(self._items)
            self._items.clear()
            self._messages = 0
        return out


class Link:
    """One connection, kept up until `close`.

    `will` is the topic and payload that the broker says for us when we vanish.  Making one raises OSError
    (ssl.SSLError among them) for a certificate file that can't be used; opening never blocks and never raises
    for a broker that is away.
    """

    def __init__(self, settings: Mqtt, password: str, client_id: str, will: tuple[str, str], inbox: Inbox) -> None:
        self._settings, self._inbox = settings, inbox
        self._v5 = settings.protocol == "5"
        self._client = self._made(client_id, password)
        self._client.will_set(will[0], will[1], qos=1, retain=True)
        self._thread: threading.Thread | None = None

    def _made(self, client_id: str, password: str) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if self._v5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if self._v5 else MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
        )
        if self._settings.user:
            client.username_pw_set(self._settings.user, password)
        if self._settings.tls:
            client.tls_set_context(verified_tls.context(self._settings.ca_file))
        client.reconnect_delay_set(SHORTEST_WAIT_S, LONGEST_WAIT_S)
        client.on_socket_open = self._wrapped(_prompt)
        client.on_connect = self._wrapped(self._on_connect)
        client.on_connect_fail = self._wrapped(self._on_connect_fail)
        client.on_disconnect = self._wrapped(self._on_disconnect)
        client.on_publish = self._wrapped(self._on_publish)
        client.on_subscribe = self._wrapped(self._on_subscribe)
        client.on_message = self._wrapped(self._on_message)
        return client

    # ------------------------------------------------------------------ for the hub's thread

    def open(self) -> None:
        """Begin to connect, again and again until it works."""
        properties = None
        if self._v5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_S
        self._client.connect_async(
            self._settings.host,
            self._settings.port or (8883 if self._settings.tls else 1883),
            keepalive=self._settings.keepalive_seconds,
            clean_start=False if self._v5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY,
            properties=properties,
        )
        self._thread = threading.Thread(target=self._run, name="hub link", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the client's thread runs; the client's own word for it can't be relied on."""
        return self._thread is not None and self._thread.is_alive()

    def publish(self, topic: str, payload: str, *, qos: int, retain: bool) -> int:
        """Hand a message to the client; returns the number under which `sent` will report it, 0 if it never will."""
        info = self._client.publish(topic, payload.encode(), qos=qos, retain=retain)
        return info.mid if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else 0

    def subscribe(self, topics: list[tuple[str, int]]) -> None:
        """Ask for topics, each with its quality of service."""
        self._client.subscribe(topics)

    def ack(self, item: Happened) -> None:
        """Tell the broker that a message has been dealt with; until then it would come again."""
        if item.qos:
            self._client.ack(item.mid, item.qos)

    def close(self) -> None:
        """Disconnect in good order and end the thread; may be called twice."""
        with contextlib.suppress(OSError, ValueError):
            self._client.disconnect()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(_JOIN_S)

    # ------------------------------------------------------------------ on the client's thread

    def _run(self) -> None:
        try:
            self._client.loop_forever(retry_first_connection=True)
        except Exception as e:  # noqa: BLE001 - the hub's thread is told and starts another
            self._inbox.put(Happened("died", why=f"{type(e).__name__}: {e}"))

    def _wrapped(self, callback: Callable[..., None]) -> Callable[..., None]:
        def safe(*args: Any) -> None:
            try:
                callback(*args)
            except Exception:
                log.exception("hub=callback")

        return safe

    def _on_connect(self, _c: mqtt.Client, _u: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        self._inbox.put(Happened("refused" if reason.is_failure else "connected", why=str(reason)))

    def _on_connect_fail(self, _c: mqtt.Client, _u: Any) -> None:
        self._inbox.put(Happened("unreachable", why="no connection"))

    def _on_disconnect(self, _c: mqtt.Client, _u: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        self._inbox.put(Happened("lost", why=str(reason), taken_over=reason.value == _TAKEN_OVER))

    def _on_publish(self, _c: mqtt.Client, _u: Any, mid: int, reason: ReasonCode, _p: Any) -> None:
        self._inbox.put(Happened("sent", mid=mid, why=str(reason) if reason.is_failure else ""))

    def _on_subscribe(self, _c: mqtt.Client, _u: Any, _mid: int, reasons: list[ReasonCode], _p: Any) -> None:
        refused = [str(r) for r in reasons if r.is_failure]
        self._inbox.put(Happened("subscribed", why=", ".join(refused)))

    def _on_message(self, _c: mqtt.Client, _u: Any, m: mqtt.MQTTMessage) -> None:
        try:
            topic = m.topic
        except UnicodeDecodeError:
            topic = ""
        self._inbox.put(
            Happened("message", topic=topic, payload=bytes(m.payload), retained=m.retain, mid=m.mid, qos=m.qos)
        )


def _prompt(_client: mqtt.Client, _userdata: Any, sock: socket.socket) -> None:
    """An answer goes out at once, not when the broker has acknowledged what went before (40 ms)."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
