"""From counts to numbers, and from many readings to one.

Owns the arithmetic of the probes.  A reading that is at the end of its range, or that a device gives when
something is wrong, becomes None with a reason and never a number.  Runs under MicroPython; touches no hardware.
"""

FULL_SCALE = 0xFFFF


class Mean:
    """The mean of what was seen since the last `take`, without the highest and the lowest quarter.

    One reading at the end of the range spoils the whole mean: what was cut off can't be averaged back.
    """

    def __init__(self, most=64):
        self.most = most
        self._values = []
        self._trouble = ""

    def add(self, value, trouble=""):
        """Take one reading, or None and why there is none."""
        if value is None:
            self._trouble = trouble or "fault"
        elif len(self._values) < self.most:
            self._values.append(value)

    def take(self):
        """(mean, trouble), and start anew; the mean is None when nothing came or something was wrong."""
        values, trouble = sorted(self._values), self._trouble
        self._values, self._trouble = [], ""
        if trouble or not values:
            return None, trouble or "silent"
        cut = len(values) // 4
        kept = values[cut : len(values) - cut]
        return sum(kept) / len(kept), ""


def bh1750_lx(counts, mtreg=31):
    """(lx, trouble) from a BH1750's 16-bit count: counts × 57.5 ÷ MTreg, that is counts ÷ 1.2 at MTreg 69 (data sheet).

    MTreg 31, its smallest, reaches 121,000 lx, so that a near lamp does not end the range.
    """
    if counts >= FULL_SCALE:
        return None, "over"
    return counts * 57.5 / mtreg, ""


def veml7700_lx(counts, lx_per_count=1.8432):
    """(lx, trouble) from a VEML7700's 16-bit count at gain 1/8 and 25 ms, where a count is 1.8432 lx.

    Above about 1000 lx this sensor reads low; the polynomial is the one in its maker's application note.
    """
    if counts >= FULL_SCALE:
        return None, "over"
    x = counts * lx_per_count
    return (((6.0135e-13 * x - 9.3924e-9) * x + 8.1488e-5) * x + 1.0023) * x, ""


def crc8(data):
    """CRC-8 of the 1-Wire bus: x^8+x^5+x^4+1 reflected, start 0 (Maxim Application Note 27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def ds18b20_c(scratchpad):
    """(°C, trouble) from a DS18B20's nine bytes.

    A bus held low reads as nine zeros, whose checksum is right; a cable that came off as all ones.  85 °C with
    0x0C in byte 6 is what stands there after power-up, before the first conversion.
    """
    if len(scratchpad) != 9 or crc8(scratchpad[:8]) != scratchpad[8]:
        return None, "checksum"
    if not any(scratchpad) or all(b == 0xFF for b in scratchpad):
        return None, "wire"
    word = scratchpad[0] | scratchpad[1] << 8
    if word >= 0x8000:
        word -= 0x10000
    celsius = word / 16
    if celsius == 85.0 and scratchpad[6] == 0x0C:
        return None, "power-up"
    return (celsius, "") if -55 <= celsius <= 125 else (None, "range")


def electrode_mv(counts, reference_mv, zero_mv, gain):
    """(mV, trouble) at the electrode from a 16-bit ADC count.

    The front end lifts the electrode's potential, which goes both ways around 0, by `zero_mv` and amplifies it by
    `gain` (negative when it inverts).  Within 1 % of either end of the converter the amplifier may be at its stop.
    """
    if not 0.01 * FULL_SCALE < counts < 0.99 * FULL_SCALE:
        return None, "over"
    return (counts * reference_mv / FULL_SCALE - zero_mv) / gain, ""
