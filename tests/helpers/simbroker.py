"""An MQTT broker in arithmetic, under the hub outlet's own code: it stands where the client library's `Client` would.

Knows what the outlet relies on: retained messages, the last will, acknowledgements one by one, a session that outlives
a short absence, and a connection that ends in each of the ways that one can.  Moves only when `turn` is called.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

from paho.mqtt.client import topic_matches_sub
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from rushlight.outlets.hub import broker_link

SESSION_S = 300.0
TAKEN_OVER = 142


class Client:
    """What `hub_link` uses of `paho.mqtt.client.Client`; its callbacks are called from `Broker.turn`."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self.connected = False
        self.will = ("", "")
        self.topics: list[str] = []
        self.mid = 0
        self.sent: list[int] = []
        """Numbers of publications that wait for their acknowledgement."""
        self.ended = threading.Event()
        self.error: Exception | None = None

    def __getattr__(self, name: str) -> Any:
        if name in ("username_pw_set", "tls_set_context", "reconnect_delay_set"):
            return lambda *_a, **_k: None
        raise AttributeError(name)

    def will_set(self, topic: str, payload: str, *, qos: int, retain: bool) -> None:
        assert (qos, retain) == (1, True)
        self.will = (topic, payload)

    def connect_async(self, *_: Any, **_more: Any) -> None:
        self._broker.client = self

    def loop_forever(self, *, retry_first_connection: bool) -> None:
        assert retry_first_connection
        self.ended.wait()
        if self.error is not None:
            raise self.error

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> Any:
        self.mid += 1
        if not self.connected:
            return SimpleNamespace(rc=MQTTErrorCode.MQTT_ERR_NO_CONN, mid=self.mid)
        self._broker.take(topic, payload.decode(), retain=retain)
        if qos:
            self.sent.append(self.mid)
        return SimpleNamespace(rc=MQTTErrorCode.MQTT_ERR_SUCCESS, mid=self.mid)

    def subscribe(self, topics: list[tuple[str, int]]) -> None:
        self.topics = [t for t, _ in topics]
        granted = [ReasonCode(PacketTypes.SUBACK, "Granted QoS 1") for _ in topics]
        self.on_subscribe(self, None, 1, granted, None)  # type: ignore[attr-defined]
        for topic, payload in list(self._broker.retained.items()):
            self._broker.bring(topic, payload.encode(), retain=True)

    def ack(self, mid: int, _qos: int) -> None:
        self._broker.unacknowledged.pop(mid, None)

    def disconnect(self) -> None:
        self.connected = False
        self.ended.set()


class Broker:
    """`down`: nothing answers; `refuses`: nobody is let in; `slow`: acknowledgements come a turn of the world late."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self.down = self.refuses = self.slow = False
        self.client: Client | None = None
        self.retained: dict[str, str] = {}
        self.heard: dict[str, str] = {}
        """The last word on every topic, as somebody who listened all the time has it."""
        self.answers: list[str] = []
        self.unacknowledged: dict[int, tuple[str, bytes]] = {}
        self._left_s = 0.0
        self._mid = 0

    # ------------------------------------------------------------------ what a broker does

    def take(self, topic: str, payload: str, *, retain: bool) -> None:
        """A publication, from whomever."""
        self.heard[topic] = payload
        if topic.endswith("/answer") and payload.startswith("{"):
            self.answers.append(payload)
        if retain and payload:
            self.retained[topic] = payload
        elif retain:
            self.retained.pop(topic, None)

    def bring(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """To the daemon, if it listens there."""
        client = self.client
        if client is None or not client.connected or not any(topic_matches_sub(t, topic) for t in client.topics):
            return
        self._mid += 1
        self.unacknowledged[self._mid] = (topic, payload)
        self._hand(self._mid, topic, payload, retain=retain)

    def _hand(self, mid: int, topic: str, payload: bytes, *, retain: bool = False) -> None:
        message = SimpleNamespace(topic=topic, payload=payload, retain=retain, mid=mid, qos=1)
        self.client.on_message(self.client, None, message)  # type: ignore[union-attr]

    def turn(self) -> None:
        """Let in who wants to come, and acknowledge."""
        client = self.client
        if client is None or client.ended.is_set():
            return
        if client.connected and self.down:
            self.cut(will=False)
        if not client.connected:
            self._let_in(client)
        elif not self.slow:
            self.acknowledge()

    def _let_in(self, client: Any) -> None:
        if self.down:
            client.on_connect_fail(client, None)
            return
        if self.refuses:
            client.on_connect(client, None, None, ReasonCode(PacketTypes.CONNACK, "Not authorized"), None)
            client.on_disconnect(client, None, None, ReasonCode(PacketTypes.DISCONNECT, "Unspecified error"), None)
            return
        client.connected = True
        client.on_connect(client, None, None, ReasonCode(PacketTypes.CONNACK, "Success"), None)
        kept, self.unacknowledged = self.unacknowledged, {}
        if self._now_s() - self._left_s <= SESSION_S:
            self.unacknowledged = kept
            for mid, (topic, payload) in list(kept.items()):
                self._hand(mid, topic, payload)

    def acknowledge(self) -> None:
        """All that has been published so far."""
        client: Any = self.client
        if client is not None and client.connected:
            done, client.sent = client.sent, []
            for mid in done:
                client.on_publish(client, None, mid, ReasonCode(PacketTypes.PUBACK, "Success"), None)

    # ------------------------------------------------------------------ how it ends

    def cut(self, *, will: bool, reason: int = 0x80) -> None:
        """The connection is gone; `will`: the broker lives and says the last word for the daemon."""
        client: Any = self.client
        if client is None or not client.connected:
            return
        client.connected, client.sent, self._left_s = False, [], self._now_s()
        if will:
            self.take(*client.will, retain=True)
        client.on_disconnect(client, None, None, ReasonCode(PacketTypes.DISCONNECT, identifier=reason), None)

    def process_ended(self) -> None:
        """The daemon is gone without a word: what its kernel, or the broker's patience, makes of it."""
        client = self.client
        if client is None:
            return
        if client.connected and not self.down:
            self.take(*client.will, retain=True)
        client.connected, self._left_s = False, self._now_s()
        client.ended.set()
        self.client = None

    @contextlib.contextmanager
    def joined(self) -> Iterator[None]:
        """The hub's connections come here."""
        real = broker_link.mqtt.Client
        broker_link.mqtt.Client = lambda *_a, **_k: Client(self)  # type: ignore[misc,assignment]
        try:
            yield
        finally:
            broker_link.mqtt.Client = real  # type: ignore[misc]
