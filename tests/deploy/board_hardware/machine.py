"""A simulated board for the firmware: buses and pins that answer as the parts' data sheets say.  MicroPython."""

import sys
import time

SCENE = {"light_counts": [12000], "adc": [32768], "light_absent": False}


def scene(**changes):
    SCENE.update(changes)


class Pin:
    """A pin; the board's lamp writes down how often it was lit, in the file `lamp` when the scene names one."""

    OUT = 1

    def __init__(self, number, mode=0):
        self.number = number

    def on(self):
        if SCENE.get("lamp"):
            with open(SCENE["lamp"], "a") as file:  # noqa: PTH123 - MicroPython has no pathlib
                file.write("*")

    def off(self):
        pass


class SoftI2C:
    """One BH1750 at 0x23: opcodes are noted; a reading gives the next count of the scene, big end first."""

    def __init__(self, sda, scl, freq):
        self.opcodes = []

    def writeto(self, address, data):
        if SCENE["light_absent"] or address != 0x23:
            raise OSError(19)
        self.opcodes.append(data[0])

    def readfrom(self, address, count):
        assert count == 2
        assert self.opcodes[-1] == 0x20, "no measurement was asked for"
        counts = SCENE["light_counts"]
        n = counts.pop(0) if len(counts) > 1 else counts[0]
        return bytes([n >> 8, n & 0xFF])


class ADC:
    def __init__(self, pin):
        pass

    def read_u16(self):
        values = SCENE["adc"]
        return values.pop(0) if len(values) > 1 else values[0]


class WDT:
    """A watchdog that really bites: fed too late it ends the programme with another status than `reset`."""

    def __init__(self, timeout):
        self._timeout = timeout
        self._fed = time.ticks_ms()

    def feed(self):
        now = time.ticks_ms()
        if time.ticks_diff(now, self._fed) > self._timeout:
            print("# the watchdog struck")
            sys.exit(4)
        self._fed = now


def reset():
    sys.exit(3)
