"""The board's programme: read the probes, average, send a line over USB or a pack over MQTT, for ever.

Owns the loop and the board's watchdog.  Measures and sends; switches nothing.
"""

import sys
import time

import framing
import machine
import measure
import probes
import settings

_READ_EVERY_MS = 1000


def make_probes():
    """[(name in the line, probe, its mean)] for what `settings` names."""
    found = []
    if settings.ONEWIRE_PIN is not None:
        found.append(("temp", probes.Thermometer(settings.ONEWIRE_PIN), measure.Mean()))
    if settings.LIGHT is not None:
        i2c = machine.SoftI2C(
            sda=machine.Pin(settings.I2C_SDA_PIN), scl=machine.Pin(settings.I2C_SCL_PIN), freq=100_000
        )
        sensor = {"bh1750": probes.Bh1750, "veml7700": probes.Veml7700}[settings.LIGHT]
        found.append(("light", sensor(i2c), measure.Mean()))
    if settings.PH_ADC_PIN is not None:
        electrode = probes.Electrode(
            settings.PH_ADC_PIN, settings.PH_REFERENCE_MV, settings.PH_ZERO_MV, settings.PH_GAIN
        )
        found.append(("ph_mv", electrode, measure.Mean(most=600)))
    return found


class Usb:
    """Lines on the USB serial port."""

    def send(self, pairs):
        sys.stdout.write(framing.line(pairs).decode())


class Broker:
    """SenML packs over MQTT with TLS; reconnects by restarting the board, which also mends a stuck radio."""

    def __init__(self, options):
        import ssl  # noqa: PLC0415

        import network  # noqa: PLC0415 - boards without Wi-Fi do not have it
        from umqtt.simple import MQTTClient  # noqa: PLC0415

        wifi = network.WLAN(network.STA_IF)
        wifi.active(True)
        wifi.connect(*options["wifi"])
        waited = 0
        while not wifi.isconnected():
            if waited >= 30:
                machine.reset()
            waited += 1
            time.sleep(1)  # noqa: TID251 - the board has no other clock
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        with open(options["ca"], "rb") as file:  # noqa: PTH123 - MicroPython has no pathlib
            context.load_verify_locations(file.read())
        self._topic = options["topic"].encode()
        self._client = MQTTClient(
            settings.NAME, options["host"], 8883, options["user"], options["password"], keepalive=60, ssl=context
        )
        self._client.connect()

    def send(self, pairs):
        self._client.publish(self._topic, framing.senml(settings.NAME, pairs))


def run():
    """Read every second, send every `EVERY_S`; the watchdog restarts the board when this loop stops."""
    found = make_probes()
    out = Usb() if settings.MQTT is None else Broker(settings.MQTT)
    watchdog = machine.WDT(timeout=8000)
    sent, next_ms = 0, time.ticks_add(time.ticks_ms(), settings.EVERY_S * 1000)
    while True:
        watchdog.feed()
        for _name, probe, mean in found:
            mean.add(*probe.read())
        if time.ticks_diff(time.ticks_ms(), next_ms) >= 0:
            next_ms = time.ticks_add(next_ms, settings.EVERY_S * 1000)
            pairs, status = [("id", settings.NAME)], []
            for name, _probe, mean in found:
                value, trouble = mean.take()
                pairs.append((name, value))
                if trouble:
                    status.append(name + "-" + trouble)
            sent += 1
            pairs += [("status", "+".join(status) or "ok"), ("n", sent)]
            try:
                out.send(pairs)
            except OSError:
                machine.reset()
        time.sleep_ms(_READ_EVERY_MS)


run()
