"""The 1-wire and industrial-I/O drivers on fake kernel trees: every way in which such a file can fail."""

from __future__ import annotations

import os
import re
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.driverrigs import IioRig, OneWireRig, polled, w1_slave, w1_slave_of
from rushlight_drivers import Channel, iio, onewire
from rushlight_drivers.formats.checksums import crc8_onewire
from rushlight_drivers.links.kernelfiles import ChildReader, UnreadableError
from rushlight_drivers.onewire import judge, judge_millidegrees

FREEZER = Path("/sys/fs/cgroup/freezer")


def scratchpad(low: int, high: int, byte6: int = 0x10) -> bytes:
    pad = bytes([low, high, 0x4B, 0x46, 0x7F, 0xFF, byte6, 0x10])
    return pad + bytes([crc8_onewire(pad)])


# -- what a scratchpad means ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "last_good_c", "expected"),
    [
        (w1_slave(23.125), None, 23.125),
        (w1_slave(-0.5), None, -0.5),
        (w1_slave(0.0625), None, 0.0625),
        (w1_slave_of(bytes(9)), None, "sentinel"),  # all zero: the checksum is right
        (w1_slave_of(scratchpad(0, 0)), None, 0.0),  # a real zero has its other bytes
        (w1_slave_of(b"\xff" * 9), None, "sentinel"),
        (w1_slave_of(b"\xff" * 9, good=True), None, "sentinel"),
        (w1_slave(85.0, 0x0C), None, "sentinel"),  # not converted since power-up
        (w1_slave(85.0, 0x0C), 84.5, "sentinel"),
        (w1_slave(85.0, 0x10), None, "sentinel"),  # no way to know that it is not
        (w1_slave(85.0, 0x10), 24.0, "sentinel"),
        (w1_slave(85.0, 0x10), 84.5, 85.0),
        (w1_slave(127.9375, 0x0C), None, "sentinel"),
        (w1_slave(127.9375), 24.0, "sentinel"),
        (w1_slave_of(scratchpad(0x72, 0x01), good=False), None, "checksum"),
        (w1_slave_of(scratchpad(0x72, 0x01)[:8] + b"\x00", good=True), None, "checksum"),
        (w1_slave_of(scratchpad(0x72, 0x01), milli_c=24000), None, "garbled"),  # an older second line
        ("", None, "unreadable"),
        ("23.1", None, "garbled"),
        (w1_slave(23.125)[:60], None, "garbled"),
        (w1_slave(23.125).replace("t=", "t=+"), None, "garbled"),
    ],
)
def test_w1_slave(content, last_good_c, expected):
    verdict = judge(content.encode(), "28", last_good_c)
    assert (verdict.trouble or verdict.value_c) == expected
    assert (verdict.value_c is None) == bool(verdict.trouble)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"23125\n", 23.125),
        (b"-500\n", -0.5),
        (b"", "unreadable"),  # 0 bytes: an error, or a bulk read is pending
        (b"0\n", "sentinel"),
        (b"-62\n", "sentinel"),
        (b"85000\n", "sentinel"),
        (b"127937\n", "sentinel"),
        (b"23.1\n", "garbled"),
        (b"23125 \n", "garbled"),
    ],
)
def test_the_temperature_file(content, expected):
    verdict = judge_millidegrees(content)
    assert (verdict.trouble or verdict.value_c) == expected


def test_the_older_family_has_other_steps():
    pad = bytes([0x32, 0x00, 0x4B, 0x46, 0xFF, 0xFF, 0x0C, 0x10])  # byte 6 means something else in this family
    content = w1_slave_of(pad + bytes([crc8_onewire(pad)]), milli_c=25000)
    assert judge(content.encode(), "10").value_c == 25.0
    assert judge(content.encode(), "28").trouble == "garbled"


@given(st.binary(max_size=120))
def test_no_bytes_make_a_temperature_that_is_not_in_a_whole_scratchpad(data):
    assert judge(data).value_c is None


@given(celsius=st.integers(-55 * 16, 125 * 16).map(lambda n: n / 16), place=st.integers(0, 26), bit=st.integers(0, 3))
def test_one_changed_digit_never_yields_another_temperature(celsius, place, bit):
    text = bytearray(w1_slave(celsius).encode())
    text[place] ^= 1 << bit
    value = judge(bytes(text)).value_c
    assert value is None or value == celsius


# -- on a tree ----------------------------------------------------------------------------------------------------


@pytest.fixture
def wire(tmp_path):
    rig = OneWireRig(tmp_path)
    rig.plug()
    return rig


@pytest.fixture
def light(tmp_path):
    rig = IioRig(tmp_path)
    rig.plug()
    return rig


def words(samples) -> list:
    return [s.trouble or s.value for s in samples]


def test_the_first_reading_after_opening_is_thrown_away(wire):
    wire.file.unlink()
    os.mkfifo(wire.file)
    told = [w1_slave(85.0, 0x10), w1_slave(24.0)]

    def kernel():
        for text in told:
            wire.file.write_text(text)  # blocks until the driver opens it
            time.sleep(0.1)  # until that reader has seen the end

    thread = threading.Thread(target=kernel, daemon=True)
    thread.start()
    d = wire.build()
    d.open()
    assert words(d.poll(4.0)) == [24.0]
    thread.join(2)
    d.close()


FAULTS = {
    "empty": lambda f: f.write_text(""),
    "input/output error": lambda f: (f.unlink(), f.symlink_to("/proc/self/mem")),
    "a folder": lambda f: (f.unlink(), f.mkdir()),
    "not there": lambda f: f.unlink(),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_thermometer_that_can_not_be_read_is_unreadable_and_comes_back(wire, fault):
    d = wire.build()
    d.open()
    assert words(d.poll(3.0)) == [23.125]
    FAULTS[fault](wire.file)
    (sample,) = d.poll(3.0)
    assert (sample.value, sample.trouble) == (None, "unreadable")
    wire.file.rmdir() if wire.file.is_dir() else wire.file.unlink(missing_ok=True)
    wire.speak()
    assert words(d.poll(3.0)) == [23.125]
    d.close()


@pytest.mark.parametrize("fault", FAULTS)
def test_a_light_chip_that_can_not_be_read_is_unreadable_and_comes_back(light, fault):
    raw = light.chip / "in_illuminance_raw"
    d = light.build()
    d.open()
    assert words(d.poll(3.0)) == [pytest.approx(83.3333)]
    FAULTS[fault](raw)
    (sample,) = d.poll(3.0)
    assert (sample.value, sample.trouble) == (None, "unreadable")
    raw.rmdir() if raw.is_dir() else raw.unlink(missing_ok=True)
    light.speak()
    assert words(d.poll(3.0)) == [pytest.approx(83.3333)]
    d.close()


def test_a_read_that_hangs_is_killed_and_the_others_are_still_read(wire):
    other = wire.root / "28-00000000beef"
    other.mkdir()
    (other / "w1_slave").write_text(w1_slave(25.0))
    channels = [
        Channel("hung", onewire.Options(device="28-0316a2794cff", root=str(wire.root), read_s=0.5), "temperature"),
        Channel("well", onewire.Options(device=other.name, root=str(wire.root)), "temperature"),
    ]
    d = onewire.OneWireDriver(channels, time.monotonic)
    d.open()
    assert len(d.poll(3.0)) == 2
    wire.file.unlink()
    os.mkfifo(wire.file)
    start_s = time.monotonic()
    samples = d.poll(3.0)
    assert time.monotonic() - start_s < 1.5
    assert [(s.channel, s.trouble) for s in samples] == [("hung", "unreadable"), ("well", "")]
    assert "killed" in samples[0].detail
    d.close()


def test_a_hung_thermometer_does_not_starve_those_behind_it(wire):
    """With time for one only, the next pass begins where the last one stopped."""
    wire.file.unlink()
    os.mkfifo(wire.file)
    other = wire.root / "28-00000000beef"
    other.mkdir()
    (other / "w1_slave").write_text(w1_slave(25.0))
    names = ["28-0316a2794cff", other.name]
    channels = [Channel(n, onewire.Options(device=n, root=str(wire.root)), "temperature") for n in names]
    d = onewire.OneWireDriver(channels, time.monotonic)
    d.open()
    seen = [s.channel for _ in range(4) for s in d.poll(0.3) if not s.trouble]
    assert other.name in seen
    d.close()


@pytest.mark.skipif(
    not os.access(FREEZER / "cgroup.procs", os.W_OK),
    reason="needs a version 1 freezer, whose frozen processes don't die of a kill",
)
def test_a_child_that_can_not_be_killed_is_left_behind_and_said_so(tmp_path):
    """A frozen process takes no signal, as one that hangs in a driver; thawed, it dies of the kill it was sent."""
    cell = FREEZER / f"rushlight-test-{os.getpid()}"
    cell.mkdir()
    fifo = tmp_path / "w1_slave"
    os.mkfifo(fifo)
    reader = ChildReader(time.monotonic, threading.Event())
    result = []

    def read():
        try:
            result.append(reader.read(str(fifo), 0.6))
        except UnreadableError as e:
            result.append(e.why)

    thread = threading.Thread(target=read)
    try:
        thread.start()
        child = _child_of_this_process("head")
        (cell / "cgroup.procs").write_text(str(child))
        (cell / "freezer.state").write_text("FROZEN")
        thread.join(5)
        assert result == ["stuck"]
        assert reader.left_behind() == (str(fifo),)
        start_s = time.monotonic()
        with pytest.raises(UnreadableError, match="still hangs in the kernel") as e:
            reader.read(str(fifo), 2.0)
        assert e.value.why == "stuck"
        assert time.monotonic() - start_s < 0.2  # no second child for the same file
    finally:
        (cell / "freezer.state").write_text("THAWED")
        end_s = time.monotonic() + 5
        while reader.left_behind() and time.monotonic() < end_s:
            time.sleep(0.01)
        thread.join(5)
        cell.rmdir()
    assert reader.left_behind() == ()


def _child_of_this_process(name: str) -> int:
    end_s = time.monotonic() + 3
    while time.monotonic() < end_s:
        for task in Path("/proc/self/task").iterdir():
            for pid in (task / "children").read_text().split():
                if Path(f"/proc/{pid}/comm").read_text().strip() == name:
                    return int(pid)
        time.sleep(0.005)
    raise AssertionError("no child appeared")


def test_checks_of_the_conversion_are_asked_for_where_they_may_be(wire):
    features = wire.file.with_name("features")
    features.write_text("0\n")
    d = wire.build()
    d.open()
    d.poll(3.0)
    assert features.read_text() == "3\n"
    d.close()


def test_without_w1_slave_the_temperature_file_serves(wire):
    wire.file.unlink()
    wire.file.with_name("temperature").write_text("23125\n")
    d = wire.build()
    d.open()
    assert words(d.poll(3.0)) == [23.125]
    d.close()


def test_files_are_read_only_up_to_a_page(tmp_path):
    big = tmp_path / "big"
    big.write_bytes(b"1" * 100_000)
    assert len(ChildReader(time.monotonic, threading.Event()).read(str(big), 2.0)) == 4096


# -- industrial I/O --------------------------------------------------------------------------------------------


def iio_value(folder: Path, files: dict[str, str], quantity: str = "light", **options) -> list:
    chip = folder / "iio:device0"
    chip.mkdir()
    for name, text in ({"name": "chip\n"} | files).items():
        (chip / name).write_text(text)
    channel = Channel("x", iio.Options(device="chip", root=str(folder), **options), quantity)
    d = iio.IioDriver([channel], time.monotonic)
    d.open()
    out = words(d.poll(3.0))
    d.close()
    return out


@pytest.mark.parametrize(
    ("files", "options", "expected"),
    [
        ({"in_illuminance_raw": "100\n", "in_illuminance_scale": "0.833333\n"}, {}, 83.3333),
        ({"in_illuminance_raw": "100\n"}, {}, 100.0),
        ({"in_illuminance_input": "412.5\n", "in_illuminance_raw": "1\n"}, {}, 412.5),
        ({"in_illuminance0_input": "412\n"}, {"channel": "in_illuminance0"}, 412.0),
        ({"in_illuminance_raw": "65535\n", "in_illuminance_scale": "0.5\n"}, {"full_scale": 65535}, "saturated"),
        ({"in_illuminance_raw": "65536\n"}, {"full_scale": 65535}, "saturated"),
        ({"in_illuminance_raw": "0\n"}, {"full_scale": 65535}, 0.0),
        ({"in_illuminance_input": "130000\n"}, {"full_scale": 120000}, "saturated"),
        ({"in_illuminance_raw": "-1\n"}, {"sentinels": (-1,)}, "sentinel"),
        ({"in_illuminance_raw": "\n"}, {}, "unreadable"),
        ({"in_illuminance_raw": ""}, {}, "unreadable"),
        ({"in_illuminance_raw": "12 34\n"}, {}, "garbled"),
        ({"in_illuminance_raw": "100\n", "in_illuminance_scale": "x\n"}, {}, "garbled"),
        ({"in_temp_raw": "2000\n", "in_temp_offset": "500\n", "in_temp_scale": "10\n"}, {"channel": "in_temp"}, 25.0),
        ({"in_temp_input": "24310\n"}, {"channel": "in_temp"}, 24.31),
        ({"in_humidityrelative_input": "52000\n"}, {"channel": "in_humidityrelative"}, 52.0),
        ({"in_voltage0_raw": "1000\n", "in_voltage_scale": "0.5\n"}, {"channel": "in_voltage0"}, 500.0),
    ],
)
def test_industrial_io_values(tmp_path, files, options, expected):
    want = pytest.approx(expected) if isinstance(expected, float) else expected
    assert iio_value(tmp_path, files, **options) == [want]


def test_a_saturated_chip_gives_the_least_that_it_can_be(light):
    d = light.build()
    d.open()
    (light.chip / "in_illuminance_raw").write_text("65535\n")
    (sample,) = d.poll(3.0)
    assert (sample.value, sample.trouble, sample.raw) == (None, "saturated", 65535.0)
    assert sample.floor == pytest.approx(65535 * 0.833333)
    d.close()


def test_from_dark_to_beyond_the_range_the_value_rises_or_is_saturated(light):
    d = light.build()
    d.open()
    seen = []
    for raw in (0, 1, 100, 65534, 65535, 65536, 70000):
        (light.chip / "in_illuminance_raw").write_text(f"{raw}\n")
        (sample,) = d.poll(3.0)
        seen.append(sample.value if sample.value is not None else sample.trouble)
    values = [s for s in seen if s != "saturated"]
    assert values == sorted(values)
    assert seen[4:] == ["saturated"] * 3
    d.close()


def test_the_first_count_after_a_change_of_range_is_thrown_away(light):
    d = light.build()
    d.open()
    d.poll(3.0)
    raw = light.chip / "in_illuminance_raw"
    raw.unlink()
    os.mkfifo(raw)
    (light.chip / "in_illuminance_scale").write_text("0.1\n")

    def kernel():
        for text in ("100\n", "900\n"):  # the first still belongs to the old range
            raw.write_text(text)
            time.sleep(0.1)

    thread = threading.Thread(target=kernel, daemon=True)
    thread.start()
    assert words(d.poll(3.0)) == [pytest.approx(90.0)]
    thread.join(2)
    d.close()


def test_a_chip_that_changes_its_range_under_the_reading_gives_no_value(light):
    scale = light.chip / "in_illuminance_scale"
    scale.unlink()
    os.mkfifo(scale)

    def kernel():
        for text in ("0.5\n", "0.1\n", "0.1\n"):
            scale.write_text(text)
            time.sleep(0.1)

    thread = threading.Thread(target=kernel, daemon=True)
    thread.start()
    d = light.build()
    d.open()
    assert words(d.poll(3.0)) == ["no_value"]
    assert words(d.poll(3.0)) == [pytest.approx(10.0)]
    thread.join(2)
    d.close()


def test_a_chip_without_the_wanted_value_or_of_another_name_is_said(light):
    for options, what in (
        (
            iio.Options(device="luxmeter", channel="in_temp", root=str(light.root)),
            "in_temp_raw and .*_input are not there",
        ),
        (iio.Options(device="thermometer", root=str(light.root)), "no chip called thermometer"),
    ):
        d = iio.IioDriver([Channel("x", options, "light")], time.monotonic)
        d.open()
        (sample,) = d.poll(3.0)
        assert sample.trouble == "unreadable"
        assert re.search(what, sample.detail)
        d.close()


def test_a_chip_that_came_back_under_another_number_is_found_by_its_name(light):
    d = light.build()
    d.open()
    d.poll(3.0)
    light.chip.rename(light.root / "iio:device3")
    assert words(d.poll(3.0)) == ["unreadable"]
    other = light.root / "iio:device0"
    other.mkdir()
    (other / "name").write_text("thermometer\n")
    (other / "in_illuminance_raw").write_text("5\n")  # the wrong chip behind the old number
    assert words(d.poll(3.0)) == [pytest.approx(83.3333)]
    d.close()


def test_two_chips_of_one_name_are_not_confused(light):
    twin = light.root / "iio:device1"
    twin.mkdir()
    (twin / "name").write_text("luxmeter\n")
    d = light.build()
    d.open()
    (sample,) = d.poll(3.0)
    assert sample.trouble == "unreadable"
    assert "2 chips called luxmeter" in sample.detail
    d.close()


def one_poll(build, options, quantity):
    d = build([Channel("x", options, quantity)], time.monotonic)
    d.open()
    try:
        (sample,) = d.poll(3.0)
        return sample
    finally:
        d.close()


def test_a_chip_without_a_name_is_the_only_one_with_the_channel(light):
    options = iio.Options(root=str(light.root))
    other = light.root / "iio:device1"
    other.mkdir()
    (other / "name").write_text("thermometer\n")
    (other / "in_temp_input").write_text("24000\n")
    assert one_poll(iio.IioDriver, options, "light").value == pytest.approx(83.3333)
    (other / "in_illuminance_input").write_text("5\n")
    assert "2 chips with in_illuminance; say which" in one_poll(iio.IioDriver, options, "light").detail


def test_a_thermometer_without_a_name_is_the_only_one_on_the_bus(wire):
    options = onewire.Options(root=str(wire.root))
    (wire.root / "w1_bus_master1").mkdir()
    assert one_poll(onewire.OneWireDriver, options, "temperature").value == pytest.approx(wire.value)
    (wire.root / "28-000000000002").mkdir()
    assert "2 thermometers on the bus; say which" in one_poll(onewire.OneWireDriver, options, "temperature").detail


def test_a_hung_chip_is_killed_in_time(light):
    raw = light.chip / "in_illuminance_raw"
    d = light.build()
    d.open()
    d.poll(3.0)
    raw.unlink()
    os.mkfifo(raw)
    start_s = time.monotonic()
    assert words(d.poll(0.5)) == ["unreadable"]
    assert time.monotonic() - start_s < 1.5
    raw.unlink()
    light.speak()
    assert polled(d)[-1].value == pytest.approx(83.3333)
    d.close()


@given(st.text("0123456789.-+eE \n", max_size=20))
def test_no_text_makes_a_value_that_is_not_its_number(text):
    channel = Channel("x", iio.Options(device="chip"), "light")
    value = iio.work_out(iio.Parts(raw=text), channel, 0.0).value
    assert value is None or value == float(text)
