"""Lines and SenML packs as the board sends them.

Owns the form of a line and its checksum.  Runs under MicroPython and needs nothing but the language and `json`;
touches no hardware, reads no clock.
"""

import json


def crc16(data):
    """CRC-16 of bytes: 0x8005 reflected, start 0xFFFF (MODBUS over Serial Line V1.02, 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def text_of(value, digits=3):
    """A value as it stands in a line: plain decimals without trailing zeros, `none` for None or what is not finite."""
    if value is None:
        return "none"
    if isinstance(value, str):
        return value
    if isinstance(value, int):
        return str(value)
    if value - value != 0:  # true for infinities and not-a-numbers alone
        return "none"
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def line(pairs):
    """One framed line for `pairs` [(name, value), …]: `$name=value,…*CRC` and CR LF, as bytes.

    Names and texts must be free of `=`, `:`, `,`, `*`, `$` and blanks; raises ValueError otherwise.
    """
    cells = []
    for name, value in pairs:
        cell = text_of(value)
        for part in (name, cell):
            if not part or any(c in "=:,;*$ \t\r\n" for c in part):
                raise ValueError(f"can't stand in a line: {part!r}")
        cells.append(f"{name}={cell}")
    body = ",".join(cells).encode()
    return b"$" + body + b"*%04X\r\n" % crc16(body)


UNITS = {"temp": "Cel", "light": "lx", "ph": "pH"}
"""Units that RFC 8428 registers; millivolts go out as volts."""


def senml(name, pairs):
    """A SenML pack (RFC 8428) as bytes: base name `name/`, one record a value; what is unknown is left out.

    No time is given: the board has no clock to trust, and a record without one is of now (RFC 8428, 4.5.3).
    """
    records = []
    for key, value in pairs:
        if text_of(value) == "none":
            continue
        if isinstance(value, str):
            record = {"n": key, "vs": value}
        elif key.endswith("_mv"):
            record = {"n": key[:-3], "u": "V", "v": round(value / 1000.0, 6)}
        else:
            record = {"n": key, "v": value if isinstance(value, int) else round(value, 4)}
            if key in UNITS:
                record["u"] = UNITS[key]
        records.append(record)
    if records:
        records[0]["bn"] = name + "/"
    return json.dumps(records).encode()
