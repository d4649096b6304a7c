"""What a look at a fake device tree proposes."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from rushlight.config import loading as config
from rushlight_drivers import Channel, load
from rushlight_drivers.discover import Proposal, _moved, discover

BASE = {
    "site": {"timezone": "Europe/Dublin"},
    "tank": [{"id": "foyer", "litres": 140}],
    "kit": [{"id": "strip", "pads": {"nitrate": [0, 10, 25, 50, 100, 250]}}],
}


class Tree:
    """A root with /dev and /sys as udev and the kernel lay them out."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def thermometer(self, name: str) -> None:
        (self.root / "sys/bus/w1/devices" / name).mkdir(parents=True)

    def chip(self, number: int, name: str, *files: str) -> None:
        folder = self.root / f"sys/bus/iio/devices/iio:device{number}"
        folder.mkdir(parents=True)
        for file in files:
            (folder / file).write_text("1\n")
        (folder / "name").write_text(f"{name}\n")

    def port(self, name: str, by_id: str = "", by_path: str = "") -> None:
        (self.root / "dev").mkdir(exist_ok=True)
        (self.root / "dev" / name).touch()
        for how, link in (("by-id", by_id), ("by-path", by_path)):
            folder = self.root / "dev/serial" / how
            folder.mkdir(parents=True, exist_ok=True)
            if link:
                (folder / link).unlink(missing_ok=True)  # of two with one name the last one has it
                (folder / link).symlink_to(f"../../{name}")


@pytest.fixture
def tree(tmp_path):
    return Tree(tmp_path)


def found(tree: Tree) -> dict[str, Proposal]:
    return {p.id: p for p in discover(tree.root).proposals}


def test_an_empty_tree_proposes_nothing_and_says_what_is_missing(tree):
    findings = discover(tree.root)
    assert findings.proposals == []
    assert len(findings.remarks) == 2
    assert "1-wire" in findings.remarks[0]


def test_thermometers_by_their_own_number(tree):
    for name in ("28-0316a2794cff", "10-000802b4ba0e", "w1_bus_master1", "01-00000a1b2c3d"):
        tree.thermometer(name)  # the last is a serial number chip, not a thermometer
    probes = found(tree)
    assert [p.options["device"] for p in probes.values()] == ["10-000802b4ba0e", "28-0316a2794cff"]
    assert {(p.driver, p.quantity, p.sure) for p in probes.values()} == {("onewire", "temperature", True)}


def test_chips_by_name_as_long_as_the_name_is_their_own(tree):
    tree.chip(0, "luxmeter", "in_illuminance_raw", "in_illuminance_scale", "in_intensity_raw")
    tree.chip(1, "weather", "in_temp_input", "in_humidityrelative_input")
    probes = found(tree)
    assert probes["light-luxmeter"].options["device"] == "luxmeter"
    assert probes["light-luxmeter"].sure
    assert {p.quantity for p in probes.values()} == {"light", "air_temperature", "humidity"}
    tree.chip(2, "luxmeter", "in_illuminance_raw")
    lights = [p for p in found(tree).values() if p.quantity == "light"]
    assert [p.options["device"] for p in lights] == ["iio:device0", "iio:device2"]
    assert all("more than one chip" in p.warnings[0] for p in lights)


def test_a_light_chip_is_proposed_with_the_end_of_its_range(tree):
    """As proposed, read by the driver at the last count: more light than it can say, and not a good value."""
    tree.chip(0, "bh1750", "in_illuminance_raw", "in_illuminance_scale")
    (tree.root / "sys/bus/iio/devices/iio:device0/in_illuminance_raw").write_text("65535\n")
    (p,) = found(tree).values()
    spec = load(p.driver)
    driver = spec.build([Channel(p.id, spec.options(**p.options), p.quantity)], time.monotonic)
    driver.open()
    try:
        samples = [s for _ in range(3) for s in driver.poll(3.0)]
    finally:
        driver.close()
    assert {(s.value, s.trouble) for s in samples} == {(None, "saturated")}


def test_where_the_end_of_the_range_is_not_known_it_is_asked_for(tree):
    tree.chip(0, "luxmeter", "in_illuminance_raw")
    tree.chip(1, "bh1750", "in_illuminance_input")  # the kernel works out the lux: no raw count to compare
    for p in found(tree).values():
        assert "full_scale" not in p.options
        assert any("full_scale" in w for w in p.warnings)


def test_a_board_with_a_serial_number_goes_by_it(tree):
    tree.port("ttyACM0", "usb-board_4711-if00", "platform-usb-0:1.1:1.0")
    (p,) = found(tree).values()
    assert p.options["port"] == str(tree.root / "dev/serial/by-id/usb-board_4711-if00")
    assert not p.sure
    assert len(p.warnings) == 1


def test_two_boards_that_share_a_name_go_by_their_sockets_and_are_warned_of(tree):
    tree.port("ttyUSB0", "usb-adapter-if00-port0", "platform-usb-0:1.1:1.0-port0")
    tree.port("ttyUSB1", "usb-adapter-if00-port0", "platform-usb-0:1.2:1.0-port0")
    tree.port("ttyACM0", "usb-board_4711-if00", "platform-usb-0:1.3:1.0")
    probes = found(tree)
    twins = [probes["board-usb0"], probes["board-usb1"]]
    assert [Path(p.options["port"]).parent.name for p in twins] == ["by-path", "by-path"]
    assert len({p.options["port"] for p in twins}) == 2
    assert all("keep each in its socket" in p.warnings[-1] for p in twins)
    assert Path(probes["board-acm0"].options["port"]).parent.name == "by-id"


def test_without_by_id_names_the_sockets_serve(tree):
    tree.port("ttyUSB0", by_path="platform-usb-0:1.1:1.0-port0")
    (p,) = found(tree).values()
    assert Path(p.options["port"]).parent.name == "by-path"
    assert "socket" in p.warnings[-1]


def test_the_pis_own_pins_are_not_proposed_but_remarked_on(tree):
    tree.port("ttyAMA0")
    findings = discover(tree.root)
    assert findings.proposals == []
    assert any("serial console" in r for r in findings.remarks)


def test_everything_that_is_proposed_is_accepted_by_the_configuration(tree):
    tree.thermometer("28-0316a2794cff")
    tree.thermometer("28-000000004cff")  # same last four digits: ids must differ
    tree.chip(0, "luxmeter", "in_illuminance_raw")
    tree.chip(1, "weather", "in_temp_input", "in_humidityrelative_input")
    tree.port("ttyACM0", "usb-board_4711-if00", "platform-usb-0:1.3:1.0")
    proposals = discover(tree.root).proposals
    checked = config.check(BASE | {"probe": [p.table("foyer") for p in proposals]})
    assert len(checked.probe) == 6
    assert len({p.id for p in checked.probe}) == 6


def test_a_tree_in_another_place_says_where_it_is_and_the_usual_one_does_not(tree):
    tree.thermometer("28-0316a2794cff")
    (p,) = found(tree).values()
    assert p.options["root"] == str(tree.root / "sys/bus/w1/devices")
    assert _moved("root", Path("/sys/bus/w1/devices"), "/sys/bus/w1/devices") == {}


def test_what_can_not_be_read_is_left_out(tree):
    tree.chip(0, "luxmeter", "in_illuminance_raw")
    name = tree.root / "sys/bus/iio/devices/iio:device0/name"
    name.unlink()
    name.mkdir()
    (p,) = found(tree).values()
    assert p.options["device"] == "iio:device0"
    dangling = tree.root / "dev/serial/by-id"
    dangling.mkdir(parents=True)
    (dangling / "not-a-link").touch()
    assert len(found(tree)) == 1
