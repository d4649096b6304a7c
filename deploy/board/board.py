"""The board's programme: read the probes, average, send a line over USB or a pack over MQTT, for ever.

Owns the loop, the board's lamp and the board's watchdog.  Measures and sends; switches nothing.
"""

import sys
import time

import framing
import machine
import measure
import probes
import settings

READ_EVERY_MS = 1000
WATCHDOG_MS = 8000


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


class Lamp:
    """The board's own indicator lamp: dark while all is well, else so many flashes in a row."""

    ON_MS, OFF_MS = 100, 200

    def __init__(self, pin):
        try:
            self._pin = None if pin is None else machine.Pin(pin, machine.Pin.OUT)
        except (TypeError, ValueError):  # a board without a pin of that name
            self._pin = None

    def flash(self, count):
        """Flash `count` times."""
        for _ in range(count if self._pin else 0):
            self._pin.on()
            time.sleep_ms(self.ON_MS)
            self._pin.off()
            time.sleep_ms(self.OFF_MS)


class Usb:
    """Lines on the USB serial port."""

    flashes = 0

    def send(self, pairs):
        sys.stdout.write(framing.line(pairs).decode())


class Packs:
    """SenML packs over Wi-Fi."""

    def __init__(self, feed):
        import wireless  # noqa: PLC0415 - boards without Wi-Fi do not have what it needs

        keepalive_s = max(60, 3 * int(settings.EVERY_S))
        self._out = wireless.Wireless(
            settings.NAME, settings.MQTT, keepalive_s, feed, lambda text: sys.stdout.write("# " + text + "\n")
        )

    @property
    def flashes(self):
        return self._out.flashes

    def send(self, pairs):
        self._out.send(framing.senml(settings.NAME, pairs))


def run():
    """Read every second, send every `EVERY_S`; the watchdog restarts the board when this loop stops."""
    found = make_probes()
    watchdog = machine.WDT(timeout=WATCHDOG_MS)
    out = Usb() if settings.MQTT is None else Packs(watchdog.feed)
    lamp = Lamp(settings.LAMP_PIN)
    sent, every_ms = 0, int(settings.EVERY_S * 1000)
    next_ms = time.ticks_add(time.ticks_ms(), every_ms)
    while True:
        watchdog.feed()
        for _name, probe, mean in found:
            mean.add(*probe.read())
        if time.ticks_diff(time.ticks_ms(), next_ms) >= 0:
            next_ms = time.ticks_add(next_ms, every_ms)
            if time.ticks_diff(time.ticks_ms(), next_ms) >= 0:  # sending took long: no burst of lines to catch up
                next_ms = time.ticks_add(time.ticks_ms(), every_ms)
            pairs, status = [("id", settings.NAME)], []
            for name, _probe, mean in found:
                value, trouble = mean.take()
                pairs.append((name, value))
                if trouble:
                    status.append(name + "-" + trouble)
            sent += 1
            pairs += [("status", "+".join(status) or "ok"), ("n", sent)]
            out.send(pairs)
        lamp.flash(out.flashes)
        time.sleep_ms(READ_EVERY_MS)
