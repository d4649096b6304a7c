"""The wireless way out: radio, broker, and why it does not work, on the board's own lamp and on the serial line.

Owns the order of things: join the network, reach the broker, prove it, send; when anything fails, say why, wait a
little, and begin again, for ever.  Nobody should have to touch a board because a router or the Pi was restarted.
"""

import time

import machine
import mqtt
import network

PAUSES_MS = (2_000, 5_000, 10_000, 20_000, 40_000)
"""Between attempts; the last one for ever."""
CONNECT_MS = ANSWER_MS = 5_000
WIFI_ASK_MS = 20_000
"""The radio is asked again to join after so long without a network."""
WIFI_RESET_MS = 600_000
"""After so long without a network the board restarts itself, which also mends a stuck radio."""
REMIND_MS = 60_000

FLASHES = {
    "network": 1,
    "wifi": 2,
    mqtt.UNREACHED: 3,
    mqtt.UNTRUSTED: 4,
    mqtt.REFUSED: 5,
    mqtt.LOST: 6,
    "settings": 7,
}
"""How often the board's lamp flashes in a row for each kind of trouble; dark: all is well."""


class Radio:
    """The board's Wi-Fi, joined again whenever it is lost."""

    def __init__(self, network_name, password):
        self._login = (network_name, password)
        self._wlan = network.WLAN(network.STA_IF)
        self._asked_ms = None
        self._lost_ms = time.ticks_ms()

    def check(self):
        """Raises Trouble while there is no network."""
        now = time.ticks_ms()
        if self._wlan.isconnected():
            self._lost_ms = now
            return
        if time.ticks_diff(now, self._lost_ms) > WIFI_RESET_MS:
            machine.reset()
        status = self._wlan.status()
        if self._asked_ms is None or time.ticks_diff(now, self._asked_ms) >= WIFI_ASK_MS:
            self._asked_ms = now
            self._wlan.active(True)
            self._wlan.connect(*self._login)
        if status == getattr(network, "STAT_WRONG_PASSWORD", "-"):
            raise mqtt.Trouble("wifi", "the Wi-Fi network " + self._login[0] + " refuses its password")
        raise mqtt.Trouble("network", "no Wi-Fi network " + self._login[0])


class Wireless:
    """SenML packs to the broker.  `send` never raises and never waits longer than a few seconds a host."""

    def __init__(self, name, options, keepalive_s, feed, say):
        self._topic, self._hosts, self._port = "boards/" + name, list(options["hosts"]), options.get("port", 8883)
        self._radio, self._say = Radio(*options["wifi"]), say
        self._make = lambda ca: mqtt.Publisher(
            name,
            options["user"],
            options["password"],
            ca,
            options.get("server_name", "rushlight-broker"),
            keepalive_s,
            feed,
        )
        self._ca_file, self._publisher = options["ca"], None
        self._failures, self._next_ms, self._said_ms = 0, time.ticks_ms(), None
        self.flashes, self._said = 0, ""

    def send(self, pack):
        """Send one pack (bytes); what can't be sent is dropped, for the next one is newer."""
        now = time.ticks_ms()
        if self._failures and time.ticks_diff(now, self._next_ms) < 0:
            self._remind(now)
            return
        try:
            self._radio.check()
            self._connect()
            self._publisher.publish(self._topic, pack, ANSWER_MS)
        except mqtt.Trouble as e:
            pause = PAUSES_MS[min(self._failures, len(PAUSES_MS) - 1)]
            self._failures += 1
            self._next_ms = time.ticks_add(time.ticks_ms(), pause)
            self.flashes = FLASHES[e.kind]
            self._tell(e.text)
            return
        self._failures, self.flashes = 0, 0
        self._tell("sending to " + self._hosts[0])

    def _connect(self):
        """Open the connection at the first host that answers; that one is tried first from then on."""
        if self._publisher is None:
            try:
                with open(self._ca_file, "rb") as file:  # noqa: PTH123 - MicroPython has no pathlib
                    self._publisher = self._make(file.read())
            except OSError:
                raise mqtt.Trouble("settings", "there is no file " + self._ca_file + " on this board") from None
        if self._publisher.is_open:
            return
        worst = None
        for host in list(self._hosts):
            try:
                self._publisher.open(host, self._port, CONNECT_MS)
            except mqtt.Trouble as e:
                # Somebody who answers and is refused says more than somebody who is not there.
                if worst is None or worst.kind == mqtt.UNREACHED:
                    worst = e
            else:
                self._hosts.remove(host)
                self._hosts.insert(0, host)
                return
        raise worst

    def _tell(self, text):
        """Say it on the serial line, once; while it is trouble again every minute."""
        if text != self._said:
            self._said, self._said_ms = text, time.ticks_ms()
            self._say(text)
        else:
            self._remind(time.ticks_ms())

    def _remind(self, now):
        if self.flashes and time.ticks_diff(now, self._said_ms) >= REMIND_MS:
            self._said_ms = now
            self._say(self._said)
