"""The checksums that boards, buses and kernels put beside their bytes.

Owns four published sums as pure functions of bytes.  Never looks into what the bytes mean.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable
from functools import reduce
from operator import xor


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes, 0 to 255: the sum between `$` and `*` of a NMEA 0183 sentence."""
    return reduce(xor, data, 0)


def _reflected(data: bytes, polynomial: int, start: int) -> int:
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (polynomial if crc & 1 else 0)
    return crc


def crc8_onewire(data: bytes) -> int:
    """CRC-8 of the 1-Wire bus, x^8+x^5+x^4+1 reflected, start 0 (Maxim Application Note 27)."""
    return _reflected(data, 0x8C, 0)


def crc16_modbus(data: bytes) -> int:
    """CRC-16 of Modbus RTU, 0x8005 reflected, start 0xFFFF (MODBUS over Serial Line V1.02, 6.2.2).

    Modbus itself sends the low byte first; as text this package expects the high digits first.
    """
    return _reflected(data, 0xA001, 0xFFFF)


def crc16_xmodem(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, start 0, not reflected: the standard library's `crc_hqx`."""
    return binascii.crc_hqx(data, 0)


TEXT_SUMS: dict[str, tuple[Callable[[bytes], int], int]] = {
    "xor": (xor8, 2),
    "crc16_modbus": (crc16_modbus, 4),
    "crc16_xmodem": (crc16_xmodem, 4),
}
"""The sums a line of text may end in, with their number of hexadecimal digits."""
