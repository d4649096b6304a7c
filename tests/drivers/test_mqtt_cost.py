"""What a message costs does not grow with the number of probes on the broker: matchings are counted, not seconds."""

from __future__ import annotations

import pytest

from rushlight_drivers import Channel, mqtt


def test_a_topic_is_matched_against_the_probes_once(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, str]] = []
    matches = mqtt.paho.topic_matches_sub

    def counting(sub: str, topic: str) -> bool:
        asked.append((sub, topic))
        return bool(matches(sub, topic))

    monkeypatch.setattr(mqtt.paho, "topic_matches_sub", counting)
    names = [f"p{n}" for n in range(40)]
    codec = mqtt.PayloadCodec([Channel(n, mqtt.Options(topic=f"probe/{n}", host="h")) for n in names])
    for _ in range(50):
        for name in names:
            [sample] = codec.samples(f"probe/{name}", b"24.5", 1.0)
            assert (sample.channel, sample.value) == (name, 24.5)
    assert len(asked) == 40 * 40, "once for every topic, not for every message"


def test_topics_without_end_do_not_fill_the_memory() -> None:
    codec = mqtt.PayloadCodec([Channel("t", mqtt.Options(topic="probe/#", host="h"))])
    for n in range(3 * mqtt._MOST_TOPICS):
        assert len(codec.samples(f"probe/{n}", b"24.5", 1.0)) == 1
    assert len(codec._concerned) <= mqtt._MOST_TOPICS
