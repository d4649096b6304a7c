"""The simulated radio: joined when the file that the scene names says `joined`; else the status that stands there."""

import machine

STA_IF = 0
STAT_IDLE, STAT_CONNECTING, STAT_WRONG_PASSWORD, STAT_NO_AP_FOUND, STAT_GOT_IP = 0, 1, -3, -2, 3
_WORDS = {"wrong password": STAT_WRONG_PASSWORD, "nothing there": STAT_NO_AP_FOUND, "joined": STAT_GOT_IP}


class WLAN:
    def __init__(self, interface):
        self._on = False

    def active(self, on):
        self._on = on

    def connect(self, name, password):
        assert self._on, "the radio is off"

    def status(self):
        if "radio" not in machine.SCENE:
            return STAT_GOT_IP if self._on else STAT_IDLE
        with open(machine.SCENE["radio"]) as file:  # noqa: PTH123 - MicroPython has no pathlib
            return _WORDS[file.read().strip()]

    def isconnected(self):
        return self.status() == STAT_GOT_IP
