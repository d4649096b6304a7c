"""Probe drivers: one file a driver, each written to `contract`.

It knows nothing of the daemon.  `load(name)` brings in one driver and no other, so a Pi without a serial board never
pays for pyserial.

Imports drivers.contract, drivers.formats, drivers.links, annotated_types, minimalmodbus, paho, serial, ssl.
"""

from __future__ import annotations

from importlib import import_module

from rushlight_drivers.contract import Channel, Driver, DriverSpec, LinkError, Monotonic, Sample

__all__ = ["NAMES", "Channel", "Driver", "DriverSpec", "LinkError", "Monotonic", "Sample", "load"]

_MODULES = {
    "lines": "rushlight_drivers.lines",
    "query": "rushlight_drivers.query",
    "modbus": "rushlight_drivers.modbus",
    "onewire": "rushlight_drivers.onewire",
    "iio": "rushlight_drivers.iio",
    "mqtt": "rushlight_drivers.mqtt",
    "simulated": "rushlight_drivers.simulated",
    "recorded": "rushlight_drivers.recorded",
    "none": "rushlight_drivers.none",
}

NAMES = tuple(_MODULES)


def load(name: str) -> DriverSpec:
    """Import the driver called `name` and return its `SPEC`; raises KeyError for an unknown name."""
    spec = import_module(_MODULES[name]).SPEC
    assert isinstance(spec, DriverSpec)
    return spec
