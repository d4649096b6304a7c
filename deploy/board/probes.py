"""The board's hardware: each probe reads once and gives (value, trouble).

Owns pins and bus addresses.  Runs on the board alone: `machine`, `onewire` and `ds18x20` are MicroPython's.
Never raises for a probe that is missing or wired wrongly; the other probes must go on.
"""

import time

import ds18x20
import machine
import measure
import onewire


class Thermometer:
    """A DS18B20 on a 1-wire pin; the first one found on the wire."""

    def __init__(self, pin):
        self._bus = ds18x20.DS18X20(onewire.OneWire(machine.Pin(pin)))

    def read(self):
        """(°C, trouble); takes 750 ms, the conversion time at full resolution."""
        try:
            found = self._bus.scan()
            if not found:
                return None, "absent"
            self._bus.convert_temp()
            time.sleep_ms(750)
            return measure.ds18b20_c(bytes(self._bus.read_scratch(found[0])))
        except (OSError, onewire.OneWireError):
            return None, "wire"
        except Exception:  # noqa: BLE001 - the library raises bare exceptions for a wrong checksum
            return None, "checksum"


class Bh1750:
    """A BH1750 light sensor: opcodes, not registers (data sheet)."""

    ADDRESS = 0x23
    _POWER_ON, _ONE_TIME_HIGH = 0x01, 0x20
    _MTREG = 31

    def __init__(self, i2c):
        self._i2c = i2c

    def read(self):
        """(lx, trouble)."""
        try:
            high, low = 0x40 | self._MTREG >> 5, 0x60 | self._MTREG & 0x1F
            for opcode in (self._POWER_ON, high, low, self._ONE_TIME_HIGH):
                self._i2c.writeto(self.ADDRESS, bytes([opcode]))
            time.sleep_ms(180)
            data = self._i2c.readfrom(self.ADDRESS, 2)
        except OSError:
            return None, "bus"
        return measure.bh1750_lx(data[0] << 8 | data[1], self._MTREG)


class Veml7700:
    """A VEML7700 light sensor at gain 1/8 and 25 ms."""

    ADDRESS = 0x10
    _CONFIGURATION, _LIGHT = 0x00, 0x04
    _GAIN_EIGHTH, _25_MS = 0b10 << 11, 0b1100 << 6

    def __init__(self, i2c):
        self._i2c = i2c

    def read(self):
        """(lx, trouble)."""
        try:
            word = self._GAIN_EIGHTH | self._25_MS
            self._i2c.writeto_mem(self.ADDRESS, self._CONFIGURATION, bytes([word & 0xFF, word >> 8]))
            time.sleep_ms(80)
            data = self._i2c.readfrom_mem(self.ADDRESS, self._LIGHT, 2)
        except OSError:
            return None, "bus"
        return measure.veml7700_lx(data[0] | data[1] << 8)


class Electrode:
    """A pH electrode behind an isolating front end on an analogue pin."""

    def __init__(self, pin, reference_mv, zero_mv, gain):
        self._adc = machine.ADC(machine.Pin(pin))
        self._scale = (reference_mv, zero_mv, gain)

    def read(self):
        """(mV at the electrode, trouble)."""
        return measure.electrode_mv(self._adc.read_u16(), *self._scale)
