"""The board's firmware under Debian's MicroPython, its arithmetic against published values, its lines against `lines`.

Each check of the pure part runs twice: under MicroPython, as on the board, and under this Python.
"""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from helpers import debian
from rushlight_drivers import Channel, lines, mqtt
from rushlight_drivers.formats import senml

BOARD = Path(__file__).parents[2] / "deploy/board"
HARDWARE = Path(__file__).parent / "board_hardware"

Calculator = Callable[[str], Any]


@pytest.fixture(scope="session")
def micropython() -> list[str]:
    try:
        return debian.micropython()
    except debian.UnobtainableError as e:
        pytest.skip(f"MicroPython can't be had here: {e}")


@pytest.fixture(params=["micropython", "python"])
def calculate(request: pytest.FixtureRequest) -> Calculator:
    """Evaluates an expression with the firmware's modules in it, and gives its value through JSON."""
    command = [sys.executable] if request.param == "python" else request.getfixturevalue("micropython")

    def run(expression: str) -> Any:
        code = f"import json, framing, measure\nprint(json.dumps({expression}))"
        done = subprocess.run(
            [*command, "-c", code], cwd=BOARD, capture_output=True, text=True, timeout=60, check=False
        )
        assert done.returncode == 0, done.stderr + done.stdout
        return json.loads(done.stdout)

    return run


def test_it_is_really_micropython(micropython: list[str]) -> None:
    done = subprocess.run(
        [*micropython, "-c", "import sys; print(sys.implementation[0])"], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "micropython"


# CRC-16: the check value of "123456789" and the examples of MODBUS over Serial Line V1.02, 6.2.2 (there low byte first:
# 02 07 is followed by 41 12, 01 03 00 00 00 02 by C4 0B).
@pytest.mark.parametrize(
    ("data", "crc"),
    [(b"123456789".hex(), 0x4B37), ("0207", 0x1241), ("010300000002", 0x0BC4), ("1103006b0003", 0x8776)],
)
def test_line_checksum_is_the_published_one(calculate: Calculator, data: str, crc: int) -> None:
    assert calculate(f"framing.crc16(bytes.fromhex('{data}'))") == crc


# Maxim Application Note 27: 02 1C B8 01 00 00 00 has CRC A2; check value of "123456789" A1.
@pytest.mark.parametrize(("data", "crc"), [("021cb801000000", 0xA2), (b"123456789".hex(), 0xA1)])
def test_onewire_checksum_is_the_published_one(calculate: Calculator, data: str, crc: int) -> None:
    assert calculate(f"measure.crc8(bytes.fromhex('{data}'))") == crc


# DS18B20 data sheet, table of temperature words.
@pytest.mark.parametrize(
    ("word", "celsius"),
    [
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
def test_temperature_words_are_those_of_the_data_sheet(calculate: Calculator, word: int, celsius: float) -> None:
    low, high = word & 0xFF, word >> 8
    pad = f"bytes([{low}, {high}, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10])"
    assert calculate(f"measure.ds18b20_c({pad} + bytes([measure.crc8({pad})]))") == [celsius, ""]


@pytest.mark.parametrize(
    ("pad", "trouble"),
    [
        ("50054b467fff0c101c", "power-up"),  # the power-on pattern of the data sheet
        ("00" * 9, "wire"),  # bus held low: the checksum of nothing is right
        ("ff" * 9, "checksum"),  # bus open
        ("72014b467fff0e1058", "checksum"),  # one bit wrong
        ("7201", "checksum"),
    ],
)
def test_what_is_no_temperature_is_not_sent_as_one(calculate: Calculator, pad: str, trouble: str) -> None:
    assert calculate(f"measure.ds18b20_c(bytes.fromhex('{pad}'))") == [None, trouble]


def test_eighty_five_degrees_after_a_conversion_is_a_temperature(calculate: Calculator) -> None:
    pad = "bytes([0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x00, 0x10])"
    assert calculate(f"measure.ds18b20_c({pad} + bytes([measure.crc8({pad})]))") == [85.0, ""]


# Linux kernel, drivers/iio/light/bh1750.c: 57.5 / MTreg = 0.833333 at 69, 1.854838 at 31, 0.226377 at 254.
@pytest.mark.parametrize(("mtreg", "scale"), [(69, 0.833333), (31, 1.854838), (254, 0.226377)])
def test_light_scale_is_the_kernels(calculate: Calculator, mtreg: int, scale: float) -> None:
    lx, trouble = calculate(f"measure.bh1750_lx(1000, {mtreg})")
    assert trouble == ""
    assert lx == pytest.approx(1000 * scale, abs=1e-3)


def test_light_correction_is_the_application_notes(calculate: Calculator) -> None:
    # The published polynomial takes 5000 lx to 6250.49 lx; a count is 0.0576 lx at gain 1 and 100 ms (the maker's
    # application note), so 8 x 4 times as much at gain 1/8 and 25 ms.
    assert calculate("measure.veml7700_lx(1)")[0] == pytest.approx(0.0576 * 8 * 4 * 1.0023, rel=1e-3)
    assert calculate("measure.veml7700_lx(5000, 1.0)")[0] == pytest.approx(6250.49, abs=0.01)


@pytest.mark.parametrize("sensor", ["bh1750_lx", "veml7700_lx"])
def test_more_light_never_reads_as_less(calculate: Calculator, sensor: str) -> None:
    seen = calculate(f"[measure.{sensor}(n)[0] for n in range(0, 0x10000, 257)]")
    assert seen[-1] is None, "the end of the range is no number"
    assert seen[:-1] == sorted(seen[:-1])


def test_electrode_is_read_back_through_the_front_end(calculate: Calculator) -> None:
    # A front end that lifts by 1650 mV and amplifies threefold shows -59.16 mV as 1472.52 of 3300 mV.
    counts = round(1472.52 / 3300 * 65535)
    mv, trouble = calculate(f"measure.electrode_mv({counts}, 3300.0, 1650.0, 3.0)")
    assert (round(mv, 1), trouble) == (-59.2, "")
    for stuck in (0, 600, 64900, 65535):
        assert calculate(f"measure.electrode_mv({stuck}, 3300.0, 1650.0, 3.0)") == [None, "over"]


def test_a_spike_does_not_move_the_mean_and_a_cut_off_reading_spoils_it(calculate: Calculator) -> None:
    feed = "(lambda m: ([m.add(*x) for x in {}], m.take(), m.take())[1:])(measure.Mean())"
    assert calculate(feed.format([[10, ""]] * 7 + [[1000, ""]])) == [[10, ""], [None, "silent"]]
    assert calculate(feed.format([[10, ""], [None, "over"], [10, ""]])) == [[None, "over"], [None, "silent"]]


@pytest.mark.parametrize("bad", ["a=b", "a b", "a*", "", "$", "a,b"])
def test_what_would_break_a_line_is_refused(calculate: Calculator, bad: str) -> None:
    with pytest.raises(AssertionError, match="ValueError"):
        calculate(f"framing.line([('id', {bad!r})]).decode()")


FORMS = {"format": "pairs", "checksum": "crc16_modbus", "port": "/dev/null", "identity": "foyer-board"}


def codec() -> lines.LineCodec:
    quantities = {"temp": "temperature", "light": "light", "ph_mv": "ph"}
    return lines.LineCodec([Channel(q, lines.Options(field=f, **FORMS), q) for f, q in quantities.items()])


def heard(stream: bytes) -> list[tuple[str, float | None, str]]:
    # The driver drops what comes before the first line end, as after opening a port.
    return [(s.channel, s.value, s.trouble) for s in codec().feed(b"\n" + stream, 0.0)]


def test_lines_are_taken_by_the_lines_driver(calculate: Calculator) -> None:
    pairs = [
        ["id", "foyer-board"],
        ["temp", 24.6875],
        ["light", None],
        ["ph_mv", -12.5],
        ["status", "light-over"],
        ["n", 3],
    ]
    stream = calculate(f"framing.line({pairs}).decode()").encode()
    assert heard(stream) == [
        ("temperature", 24.688, ""),
        ("light", None, "no_value"),
        ("ph", -12.5, ""),
    ]


def test_no_flipped_bit_becomes_another_number(calculate: Calculator) -> None:
    stream = calculate(
        "framing.line([('id', 'foyer-board'), ('temp', 24.69), ('light', 1234.5), ('ph_mv', -12.5)]).decode()"
    )
    sent = {24.69, 1234.5, -12.5}
    whole = stream.encode()
    for place in range(len(whole)):
        for bit in range(8):
            bent = bytearray(whole)
            bent[place] ^= 1 << bit
            assert {v for _, v, _ in heard(bytes(bent)) if v is not None} <= sent


PROGRAMME = """
import sys
sys.path[0:0] = [{hardware!r}, {board!r}]
import machine, ds18x20, settings
settings.EVERY_S = 2
settings.LIGHT = "bh1750"
{scene}
import main
"""

WARM = "bytes.fromhex('72014b467fff0e1057')"  # 23.125 °C with its checksum, DS18B20 data sheet's form


def programme(micropython: list[str], scene: str, count: int) -> list[bytes]:
    """Run the whole firmware on the simulated board until it has sent `count` lines."""
    code = PROGRAMME.format(hardware=str(HARDWARE), board=str(BOARD), scene=textwrap.dedent(scene))
    with subprocess.Popen([*micropython, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as board:
        assert board.stdout is not None
        try:
            return [board.stdout.readline() for _ in range(count)]
        finally:
            board.kill()


@pytest.mark.slow
def test_the_whole_programme_sends_lines_that_the_driver_takes(micropython: list[str]) -> None:
    sent = programme(micropython, f"ds18x20.PADS.append({WARM})\nmachine.scene(adc=[29243])", 2)
    assert (
        heard(b"".join(sent))
        == [
            ("temperature", 23.125, ""),
            ("light", pytest.approx(12000 * 57.5 / 31, abs=0.001), ""),
            ("ph", pytest.approx(-59.2, abs=0.1), ""),
        ]
        * 2
    )
    assert b"status=ok,n=2*" in sent[1]


@pytest.mark.slow
def test_a_missing_probe_is_told_and_stops_no_other(micropython: list[str]) -> None:
    scene = f"ds18x20.PADS.append({WARM})\nmachine.scene(light_absent=True, adc=[65535])"
    [sent] = programme(micropython, scene, 1)
    assert heard(sent) == [("temperature", 23.125, ""), ("light", None, "no_value"), ("ph", None, "no_value")]
    assert b"status=light-bus+ph_mv-over" in sent


@pytest.mark.slow
def test_a_cable_that_comes_off_is_never_a_temperature(micropython: list[str]) -> None:
    scene = f"ds18x20.PADS.extend([{WARM}, None, b''])"
    [sent] = programme(micropython, scene, 1)
    assert heard(sent)[0] == ("temperature", None, "no_value")


def test_senml_is_taken_by_the_mqtt_driver(calculate: Calculator) -> None:
    pairs = [["id", "foyer-board"], ["temp", 24.6875], ["light", None], ["ph_mv", -12.5], ["n", 3]]
    pack = calculate(f"framing.senml('foyer-board', {pairs}).decode()").encode()
    fields = {"temp": "temperature", "light": "light", "ph": "ph"}
    channels = [
        Channel(q, mqtt.Options(topic="boards/foyer-board", format="senml", record=f"foyer-board/{f}"), q)
        for f, q in fields.items()
    ]
    samples = mqtt.PayloadCodec(channels).samples("boards/foyer-board", pack, 0.0)
    # Units as RFC 8428, section 12.1, registers them; a light that is not known is not there.
    assert [(s.channel, s.value, s.unit, s.trouble) for s in samples if s.value is not None] == [
        ("temperature", 24.6875, "Cel", ""),
        ("ph", -0.0125, "V", ""),
    ]
    assert {r.name: r.text for r in senml.parse(pack) if r.text} == {"foyer-board/id": "foyer-board"}
    assert not any(r.time_s for r in senml.parse(pack)), "the board has no clock to trust"
