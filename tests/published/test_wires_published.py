"""Checksums, registers and message forms against what their standards and data sheets print."""

from __future__ import annotations

import json

import pytest

from helpers.driverrigs import w1_slave_of
from rushlight_drivers import Channel, iio
from rushlight_drivers.formats import jsonpointer, senml
from rushlight_drivers.formats.checksums import crc8_onewire, crc16_modbus, crc16_xmodem, xor8
from rushlight_drivers.onewire import judge


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        # Maxim Application Note 27, "Understanding and Using Cyclic Redundancy Checks with 1-Wire Products", the example
        # ROM code A2 00 00 00 01 B8 1C 02 written from its last byte.
        ("02 1C B8 01 00 00 00", 0xA2),
        # CRC-8/MAXIM-DOW, check value over the digits 1 to 9 (catalogue of parametrised CRC algorithms).
        (b"123456789".hex(), 0xA1),
        # The trap: eight zero bytes have the checksum zero (follows from the start value).
        ("00" * 8, 0x00),
    ],
)
def test_onewire_crc(data, crc):
    assert crc8_onewire(bytes.fromhex(data)) == crc


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        # MODBUS over Serial Line Specification and Implementation Guide V1.02, 6.2.2 and figure 30: the message 02 07
        # has the CRC 1241 hex, sent as 41 12.
        ("02 07", 0x1241),
        # CRC-16/MODBUS, check value over the digits 1 to 9 (catalogue of parametrised CRC algorithms; crcmod 1.7 agrees).
        (b"123456789".hex(), 0x4B37),
        # crcmod 1.7, "modbus": sent as C4 0B, 60 0A and 76 87.
        ("01 03 00 00 00 02", 0x0BC4),
        ("01 04 00 01 00 01", 0x0A60),
        ("11 03 00 6B 00 03", 0x8776),
    ],
)
def test_modbus_crc(data, crc):
    assert crc16_modbus(bytes.fromhex(data)) == crc


def test_modbus_crc_of_the_library_that_reads_the_bus_agrees():
    import minimalmodbus

    for n in range(64):
        message = bytes((i * 37 + n) & 0xFF for i in range(n))
        assert minimalmodbus._calculate_crc(message) == crc16_modbus(message).to_bytes(2, "little")


def test_xmodem_crc():
    # CRC-16/XMODEM, check value over the digits 1 to 9 (catalogue of parametrised CRC algorithms).
    assert crc16_xmodem(b"123456789") == 0x31C3


@pytest.mark.parametrize(
    ("sentence", "checksum"),
    [
        # The definition of NMEA 0183: exclusive or of what stands between $ and *; both computed from it.
        (b"GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,", 0x76),
        (b"GPGLL,5300.97914,N,00259.98174,E,125926,A", 0x28),
    ],
)
def test_nmea_checksum(sentence, checksum):
    assert xor8(sentence) == checksum


@pytest.mark.parametrize(
    ("word", "celsius"),
    [
        # DS18B20 data sheet (Maxim Integrated, REV 042208), its table of temperatures and their words.  The negative
        # rows follow from the two's complement in sixteenths of a degree that the table states.
        (0x07D0, 125.0),
        (0x0191, 25.0625),
        (0x00A2, 10.125),
        (0x0008, 0.5),
        (0x0000, 0.0),
        (0xFFF8, -0.5),
        (0xFF5E, -10.125),
        (0xFE6F, -25.0625),
        (0xFC90, -55.0),
    ],
)
def test_temperature_words_of_the_data_sheet(word, celsius):
    pad = word.to_bytes(2, "little") + bytes([0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10])
    content = w1_slave_of(pad + bytes([crc8_onewire(pad)]))
    assert judge(content.encode()).value_c == celsius


def test_power_on_value_of_the_data_sheet_is_refused():
    # Same table: 85 °C (0550 hex) is the reset value of the temperature register.  Linux
    # Documentation/w1/slaves/w1_therm.rst: byte 6 = 0x0C beside it means that no conversion took place.
    pad = bytes.fromhex("50 05 4B 46 7F FF 0C 10")
    assert crc8_onewire(pad) == 0x1C
    assert judge(w1_slave_of(pad + b"\x1c").encode(), last_good_c=84.0).trouble == "sentinel"


@pytest.mark.parametrize(
    ("scale", "celsius_per_unit"),
    [
        # Linux drivers/iio/light/bh1750.c: one count is 57.5 lx divided by the measurement time register; its data sheet
        # gives 1/1.2 lx for the register's 69.
        (57.5 / 69, 1 / 1.2),
        (57.5 / 31, 1.854838),
        (57.5 / 254, 0.226377),
    ],
)
def test_lux_per_count(scale, celsius_per_unit):
    channel = Channel("light", iio.Options(device="chip"), "light")
    sample = iio.work_out(iio.Parts(raw="1000\n", scale=f"{scale:.9f}\n"), channel, 0.0)
    assert sample.value == pytest.approx(1000 * celsius_per_unit, abs=1e-3)


def test_iio_units():
    # Linux Documentation/ABI/testing/sysfs-bus-iio: temperature in milli °C and relative humidity in milli percent after
    # offset and scale; illuminance in lux; voltage in millivolts.
    for channel, value in (
        ("in_temp", 0.5),
        ("in_humidityrelative", 0.5),
        ("in_illuminance", 500.0),
        ("in_voltage1", 500.0),
    ):
        c = Channel("x", iio.Options(device="chip", channel=channel))
        assert iio.work_out(iio.Parts(raw="90", offset="10", scale="5"), c, 0.0).value == value


# -- RFC 6901 -------------------------------------------------------------------------------------------------

DOCUMENT = json.loads(
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        # RFC 6901, section 5: the document above and these pointers into it.
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_json_pointers(pointer, value):
    assert jsonpointer.resolve(DOCUMENT, pointer) == value


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/00", "/foo/1e0", "/nothing", "/foo/0/x", "/foo/-1"])
def test_json_pointers_that_lead_to_nothing(pointer):
    # RFC 6901, section 4: no leading zeros, "-" is past the end, and a value that is not there is an error.
    with pytest.raises(jsonpointer.NotFoundError):
        jsonpointer.resolve(DOCUMENT, pointer)


@pytest.mark.parametrize("pointer", ["foo", "/a~2b", "/a~"])
def test_what_is_not_a_json_pointer(pointer):
    # RFC 6901, section 3: the syntax.
    with pytest.raises(ValueError, match="JSON pointer"):
        jsonpointer.parse(pointer)


# -- RFC 8428 -------------------------------------------------------------------------------------------------

OW = "urn:dev:ow:10e2073a0108006"


@pytest.mark.parametrize(
    ("pack", "resolved"),
    [
        (  # RFC 8428, 5.1.1, single data point
            [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}],
            [("urn:dev:ow:10e2073a01080063", "Cel", 0.0, 23.1)],
        ),
        (  # RFC 8428, 5.1.2, several data points; resolved as ex3.gen.resolved.json of the RFC's source repository has it
            [
                {"bn": f"{OW}:", "bt": 1.276020076001e9, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
                *({"n": "current", "t": t, "v": v} for t, v in ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6))),
                {"n": "current", "v": 1.7},
            ],
            [
                (f"{OW}:voltage", "V", 1.276020076001e9, 120.1),
                (f"{OW}:current", "A", 1.276020071001e9, 1.2),
                (f"{OW}:current", "A", 1.276020072001e9, 1.3),
                (f"{OW}:current", "A", 1.276020073001e9, 1.4),
                (f"{OW}:current", "A", 1.276020074001e9, 1.5),
                (f"{OW}:current", "A", 1.276020075001e9, 1.6),
                (f"{OW}:current", "A", 1.276020076001e9, 1.7),
            ],
        ),
        (  # a stream of humidity values, ex4.json and ex4.gen.resolved.json of the same repository, begun and ended
            [{"bn": "urn:dev:ow:10e2073a01080063", "bt": 1320067464, "bu": "%RH", "v": 21.2}, {"v": 21.3, "t": 10}],
            [
                ("urn:dev:ow:10e2073a01080063", "%RH", 1.320067464e9, 21.2),
                ("urn:dev:ow:10e2073a01080063", "%RH", 1.320067474e9, 21.3),
            ],
        ),
    ],
)
def test_senml_packs_resolve_as_the_rfc_prints(pack, resolved):
    records = senml.parse(json.dumps(pack))
    assert [(r.name, r.unit, r.time_s, r.value) for r in records] == resolved
    again = senml.parse(senml.format(records))
    assert again == records


def test_senml_times_are_absolute_from_two_to_the_28th():
    # RFC 8428, 4.5.3: values below 2^28 count from now; 2^28 is 1978-07-04T21:24:16Z.
    def record(t):
        return senml.parse(json.dumps([{"n": "x", "v": 1, "t": t}]))[0]

    assert record(268435456).is_absolute
    assert not record(268435455).is_absolute
    assert not record(-5).is_absolute
