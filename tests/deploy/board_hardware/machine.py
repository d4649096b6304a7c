"""A simulated board for the firmware: buses and pins that answer as the parts' data sheets say.  MicroPython."""

import sys

SCENE = {"light_counts": [12000], "adc": [32768], "light_absent": False}


def scene(**changes):
    SCENE.update(changes)


class Pin:
    def __init__(self, number):
        self.number = number


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
    def __init__(self, timeout):
        pass

    def feed(self):
        pass


def reset():
    sys.exit(3)
