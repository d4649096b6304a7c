"""From a publish at a real broker to the push at the phone's server, through the whole daemon, beside a floor.

    python tests/bench/bench_push_latency.py [--quick]

Each round publishes a temperature beyond the limit, up to a hundred times a second, and waits for the alarm's push, then one
within it and waits for the return's.  The daemon takes one value a second and believes a step when three agree; that
is part of the figure.  The floor is a plain subscriber that posts every message it hears.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import paho.mqtt.client as mqtt
import requests
from figures import Figure, show

from helpers.daemon import Daemon
from helpers.hub import Broker
from helpers.receivers import Receiver
from helpers.waiting import until

CONFIG = """
[site]
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
limits = {{ temperature = {{ low = 21, high = 27 }} }}
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25] }}
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "foyer/temperature"
every_seconds = 1
[push]
server = "{push}"
topic = "tanks"
per_hour = 600
[contacts]
quiet_from = "00:00"
quiet_until = "00:00"
[alarms]
priority = {{ temperature_high = "high" }}
on_delay_s = {{ temperature_high = 0 }}
off_delay_s = {{ temperature_high = 0 }}
[page]
enabled = false
[storage]
folder = "{data}"
"""


def client(port: int) -> mqtt.Client:
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    made.connect("127.0.0.1", port)
    made.loop_start()
    return made


def timed(say: Callable[[float], object], push: Receiver, value: float) -> float:
    """Seconds from the publish until one more push has arrived."""
    had, start = len(push.accepted), time.perf_counter()
    until(lambda: (say(value), time.sleep(0.01), len(push.accepted) > had)[-1], 30.0)
    return time.perf_counter() - start


def figures(*, quick: bool) -> list[Figure]:
    """Milliseconds from publish to push."""
    rounds = 1 if quick else 2  # an alarm that rises a third time within the hour is told as restless, once
    with tempfile.TemporaryDirectory() as name:
        folder, push = Path(name), Receiver()
        broker = Broker(folder / "broker")
        talker = client(broker.port)
        floor, plain = Receiver(), client(broker.port)
        plain.on_message = lambda *_: requests.post(floor.url, json={"x": 1}, timeout=5)
        plain.subscribe("floor")
        time.sleep(0.3)
        floor_s = [timed(lambda v: talker.publish("floor", str(v)), floor, n) for n in range(20)]
        config = folder / "config.toml"
        config.write_text(CONFIG.format(broker=broker.port, push=push.url, data=folder / "data"))
        daemon = Daemon(config).start()

        def say(value: float) -> None:
            talker.publish("foyer/temperature", str(value))

        until(lambda: (say(24.0), time.sleep(1.0), daemon.view()["tanks"][0]["probes"][0]["fresh"])[-1], 30.0)
        whole_s = []
        for _ in range(rounds):
            for value in (30.0, 24.0):
                time.sleep(2.5)  # past the thinning to one value a second
                whole_s.append(timed(say, push, value))
        daemon.stop()
        broker.stop()
        for receiver in (push, floor):
            receiver.close()
    median, worst = statistics.median(whole_s) * 1000, max(whole_s) * 1000
    what = f"publish to push, median of {len(whole_s)} (worst {worst:,.0f} ms)"
    return [Figure(what, median, "ms", statistics.median(floor_s) * 1000, None, "subscriber that posts")]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
