"""Boards that publish a number a second at QoS 1, a number that never repeats, and know which the broker has taken."""

from __future__ import annotations

import threading
from collections.abc import Sequence

import paho.mqtt.client as mqtt

from helpers.waiting import until


class Boards:
    """One connection, a message a second under each topic."""

    def __init__(self, port: int, topics: Sequence[str]) -> None:
        self._topics = topics
        self._numbers: dict[int, int] = {}
        """By packet identifier.  An answer may come before its identifier stands here, so it is looked up later."""
        self._taken: list[int] = []
        self._stop = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="boards", clean_session=False)
        self._client.max_queued_messages_set(0)
        self._client.on_publish = lambda _c, _d, mid, *_: self._taken.append(mid)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

    @property
    def confirmed(self) -> list[int]:
        """The numbers that the broker has confirmed."""
        return [self._numbers[mid] for mid in list(self._taken) if mid in self._numbers]

    def _send(self) -> None:
        number = 0
        while not self._stop.is_set():
            for topic in self._topics:
                number += 1
                self._numbers[self._client.publish(topic, str(number), qos=1).mid] = number
            self._stop.wait(1.0)

    def stop(self) -> None:
        """Send no more, and wait until the broker has confirmed the rest."""
        self._stop.set()
        self._thread.join()
        until(lambda: len(self._taken) == len(self._numbers), 30, "the broker to confirm the rest")
        self._client.loop_stop()
        self._client.disconnect()
