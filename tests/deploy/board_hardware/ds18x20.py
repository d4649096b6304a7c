"""The simulated thermometer: hands out the scene's scratchpads one after another; None is a cable that is off."""

import onewire

PADS = []


class DS18X20:
    def __init__(self, wire):
        self._pad = None

    def scan(self):
        self._pad = PADS.pop(0) if len(PADS) > 1 else PADS[0]
        return [] if self._pad == b"" else [b"\x28\x00\x00\x00\x00\x00\x00\x01"]

    def convert_temp(self):
        if self._pad is None:
            raise onewire.OneWireError

    def read_scratch(self, rom):
        return self._pad
