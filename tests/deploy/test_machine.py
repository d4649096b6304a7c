"""The board's own state, read from fake kernel trees."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from rushlight.host import machine


def tree(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
    return root


@pytest.mark.parametrize(("bit", "expected"), [("0\n", False), ("1\n", True), ("?\n", None)])
def test_undervoltage_is_the_kernels_alarm_bit(tmp_path: Path, bit: str, expected: bool | None) -> None:
    sys = tree(
        tmp_path,
        {
            "class/hwmon/hwmon0/name": "cpu_thermal\n",
            "class/hwmon/hwmon1/name": "rpi_volt\n",
            "class/hwmon/hwmon1/in0_lcrit_alarm": bit,
        },
    )
    assert machine.undervoltage(sys) is expected


def test_a_board_without_the_bit_is_unknown_and_not_well(tmp_path: Path) -> None:
    assert machine.undervoltage(tmp_path) is None
    sys = tree(tmp_path, {"class/hwmon/hwmon0/name": "rpi_volt\n"})
    assert machine.undervoltage(sys) is None


def test_a_name_that_is_a_folder_is_unknown(tmp_path: Path) -> None:
    (tmp_path / "class/hwmon/hwmon0/name").mkdir(parents=True)
    assert machine.undervoltage(tmp_path) is None


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        ({"watchdog0/state": "active\n", "watchdog0/timeout": "14\n"}, "hardware watchdog: on, 14 s"),
        ({"watchdog0/state": "inactive\n", "watchdog0/timeout": "14\n"}, "hardware watchdog: off"),
        ({"watchdog0/state": "active\n"}, "hardware watchdog: on"),
        ({"watchdog0/timeout": "14\n"}, "None"),
        ({}, "None"),
    ],
)
def test_hardware_watchdog_is_what_the_kernel_says_it_is(tmp_path: Path, files: dict[str, str], expected: str) -> None:
    tree(tmp_path / "class/watchdog", files)
    assert str(machine.hardware_watchdog(tmp_path)) == expected


def test_room_agrees_with_df(tmp_path: Path) -> None:
    room = machine.room(tmp_path)
    assert room is not None
    out = subprocess.run(["df", "-B1", "--output=avail,size", tmp_path], capture_output=True, text=True, check=True)
    avail, size = map(int, out.stdout.splitlines()[1].split())
    assert room.total_bytes == size
    assert room.free_bytes == pytest.approx(avail, rel=0.02)  # others write meanwhile
    assert 0 < room.free_percent < 100
    assert not room.read_only


def test_room_of_a_missing_folder_is_unknown(tmp_path: Path) -> None:
    assert machine.room(tmp_path / "gone") is None


def test_a_read_only_file_system_is_seen() -> None:
    room = machine.room(Path("/sys/fs/cgroup"))
    with Path("/proc/mounts").open() as f:
        options = {m.split()[1]: m.split()[3].split(",") for m in f}
    assert room is not None
    assert room.read_only == ("ro" in options["/sys/fs/cgroup"])


@pytest.mark.slow
def test_dips_are_counted_and_reported_soon_but_not_often(tmp_path: Path) -> None:
    bit = tmp_path / "class/hwmon/hwmon1/in0_lcrit_alarm"
    bit.parent.mkdir(parents=True)
    (bit.parent / "name").write_text("rpi_volt\n")
    bit.write_text("0\n")
    supply = machine.Supply(tmp_path)
    told = []
    for second in range(1300):
        bit.write_text("1\n" if 100 <= second < 130 or second in {200, 300, 1000} else "0\n")
        if dips := supply.look(float(second)):
            told.append((second, dips))
    # The first at once, though it lasts; further ones together when ten minutes are over.
    assert told == [(100, 1), (700, 2)]
    assert supply.look(1300.0) == 1
    bit.unlink()
    assert supply.look(5000.0) == 0, "no bit is no dip"


def test_a_board_has_its_serial_number_or_else_its_network_card(tmp_path: Path) -> None:
    proc = tree(tmp_path / "proc", {"device-tree/serial-number": "10000000a1b2c3d4\0"})
    sys = tree(
        tmp_path / "sys",
        {
            "class/net/eth0/address": "02:00:5e:00:53:af\n",
            "class/net/eth0/device/uevent": "",
            "class/net/br0/address": "02:00:5e:00:53:01\n",
        },
    )
    assert machine.board_number(proc, sys) == "a1b2c3d4"
    assert machine.board_number(tmp_path / "none", sys) == "5e0053af"
    assert machine.board_number(tmp_path / "none", tmp_path / "none") == ""
