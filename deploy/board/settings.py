"""What differs from board to board: edit this file, then copy all files of this folder onto the board."""

NAME = "foyer-board"
"""The board's own name, in every line; the daemon can then notice that another board is behind the port."""

EVERY_S = 10
"""Seconds between lines."""

ONEWIRE_PIN = 16
"""Data pin of the 1-wire thermometer; None: no thermometer."""

LIGHT = "bh1750"
"""bh1750, veml7700 or None."""
I2C_SDA_PIN, I2C_SCL_PIN = 4, 5

PH_ADC_PIN = 26
"""Analogue pin of the pH front end; None: no electrode.  The front end must isolate the electrode."""
PH_REFERENCE_MV, PH_ZERO_MV, PH_GAIN = 3300.0, 1650.0, 3.0
"""Full scale of the converter, what the front end gives for 0 mV, and its amplification."""

LAMP_PIN = "LED"
"""The board's own indicator lamp, by its name or number; None: no lamp.  Only wireless boards use it: dark is well,
flashes in a row say what is not (hardware.md has the list)."""

MQTT = None
"""None: lines over USB.  Over Wi-Fi instead, to the topic boards/NAME:
MQTT = {"wifi": ("network", "password"), "hosts": ("reading-pi.local", "192.168.1.20"),
        "user": "board", "password": "...", "ca": "ca.der"}
The hosts are names and addresses of one and the same Pi, tried in turn.
"""
