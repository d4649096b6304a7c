"""From the board's own lines to a pH: firmware, discovery, wizard, configuration, driver, calibration, one after another.

The board is the firmware itself, on simulated hardware; where MicroPython can't be had, lines recorded from it.
"""

from __future__ import annotations

import contextlib
import io
import math
import re
import threading
import time
import tomllib
from pathlib import Path

import pytest

from helpers.serialbench import Board
from rushlight.config import loading as config
from rushlight.core.step import Core
from rushlight.core.view import site_view
from rushlight.events import Calibration, CalibrationPoint
from rushlight.guide import first, wizard
from rushlight.intake import stamping
from rushlight.intake.polling import links
from rushlight_drivers import LinkError, discover

FIRMWARE = Path(__file__).parents[2] / "deploy/board/board.py"
DOCS = [Path(__file__).parents[2] / name for name in ("deploy/hardware.md", "config.example.toml")]

RECORDED = b"$id=foyer-board,temp=23.125,light=22258.065,ph_mv=-59.2,status=ok,n=1*"
"""What the whole firmware sent on simulated hardware (tests/deploy/test_board.py); no real board was at hand."""

# R and F: CODATA 2018, exact since the redefinition of the units.
SLOPE_MV = {t: 1e3 * 8.314462618 * (t + 273.15) * math.log(10) / 96485.33212 for t in (25.0, 23.125)}
# Primary standards at 25 °C: equimolal phosphate 6.865, potassium hydrogen phthalate 4.005 (NIST SP 260-53, as
# in Bates, Determination of pH, 1973).
BUFFERS = (6.865, 4.005)
T0 = 1_770_000_000.0


def test_firmware_and_discovery_call_the_values_alike() -> None:
    assert re.findall(r'found\.append\(\("(\w+)"', FIRMWARE.read_text()) == list(discover.BOARD_FIELDS)


@pytest.mark.parametrize("doc", DOCS, ids=lambda d: d.name)
def test_the_documents_name_the_field_that_the_firmware_sends(doc: Path) -> None:
    assert "ph_mv" in doc.read_text()


def test_the_probe_table_in_the_documents_is_what_the_wizard_writes() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", DOCS[0].read_text(), re.DOTALL)
    [shown] = [p for b in blocks for p in tomllib.loads(b).get("probe", []) if p["driver"] == "lines"]
    port = discover.Proposal(id="x", driver="lines", quantity="ph", options={"port": shown["port"]})
    heard = wizard.Board("foyer-board", ("ph_mv",))
    text = wizard.propose(
        discover.Findings(proposals=[port]), wizard.Answers(tanks=(wizard.Water("Foyer"),)), {shown["port"]: heard}
    )
    [written] = tomllib.loads(text)["probe"]
    assert written | {"id": shown["id"]} == shown


def test_an_uncommented_guess_suits_the_firmware_too(tmp_path: Path) -> None:
    """Where the board was not heard, the proposal for its port is still what the firmware sends."""
    serial = tmp_path / "dev/serial/by-id"
    serial.mkdir(parents=True)
    (serial / "usb-Board_1-if00").symlink_to("../../ttyACM0")
    [guess] = discover.discover(tmp_path).proposals
    assert not guess.sure
    assert (guess.quantity, guess.unit) == discover.BOARD_FIELDS[guess.options["field"]]
    assert guess.unit == "mV", "a potential must never pass for a pH"


def sealed(body: bytes) -> bytes:
    """A recorded line with its checksum, by the definition in MODBUS over Serial Line V1.02, 6.2.2, bit by bit."""
    crc = 0xFFFF
    for byte in body[1:-1]:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
    return body + b"%04X\r\n" % crc


@pytest.mark.slow
def test_from_the_boards_lines_to_a_ph(tmp_path: Path) -> None:
    serial = tmp_path / "dev/serial/by-id"
    serial.mkdir(parents=True)
    board = Board(serial / "usb-Board_1-if00")
    board.keep_saying(sealed(RECORDED), 0.1)
    try:
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
            first.main(["--root", str(tmp_path), "--listen-seconds", "10"])
        found = config.check(tomllib.loads(out.getvalue()))
        [link] = links(found.probe)
        driver, samples = link.spec.build(link.channels, time.monotonic), []
        driver.open()
        until = time.monotonic() + 10
        while len({s.channel for s in samples}) < 3 and time.monotonic() < until:
            samples += driver.poll(1.0)
        driver.close()
    finally:
        board.unplug()
    ph = next(p for p in found.probe if p.quantity == "ph")
    assert ph.unit == "mV"

    core = Core(found)
    state = core.initial()
    for n, sample in enumerate(samples):
        core.step(state, stamping.reading(sample, lambda _mono_s, n=n: T0 + n))
    before = next(p for t in site_view(core, state, T0 + 60).tanks for p in t.probes if p.id == ph.id)
    assert before.value is None, "millivolts without a calibration are no pH"
    points = tuple(CalibrationPoint(value=b, raw=-SLOPE_MV[25.0] * (b - 7.0), temperature_c=25.0) for b in BUFFERS)
    core.step(state, Calibration(at_s=T0 + 60, id="c", probe=ph.id, points=points))
    for n, sample in enumerate(samples):
        core.step(state, stamping.reading(sample, lambda _mono_s, n=n: T0 + 100 + 60 * n))
    [tank] = site_view(core, state, T0 + 200).tanks
    shown = {p.quantity: p.value for p in tank.probes}
    # An ideal electrode at the water's 23.125 °C: pH 7 + 59.2 mV over Nernst's slope there.
    assert shown["ph"] == pytest.approx(7.0 + 59.2 / SLOPE_MV[23.125], abs=0.002)
    assert shown["temperature"] == 23.125


@pytest.mark.slow
def test_another_board_behind_the_port_is_noticed(tmp_path: Path) -> None:
    """The wizard writes the board's own name, so that its pH is never taken from a stranger."""
    heard = wizard.board_in(b"\n" + sealed(RECORDED))
    assert heard is not None
    (tmp_path / "dev/serial/by-id").mkdir(parents=True)
    board = Board(tmp_path / "dev/serial/by-id/usb-Board_1-if00")
    port = str(board.path)
    text = wizard.propose(discover.discover(tmp_path), wizard.Answers(), {port: heard})
    [link] = links(config.check(tomllib.loads(text)).probe)
    driver = link.spec.build(link.channels, time.monotonic)
    stop = threading.Event()
    board.keep_saying(sealed(RECORDED.replace(b"foyer-board", b"other-board")), 0.1)
    try:
        driver.open()
        with pytest.raises(LinkError, match="other-board"):
            while not stop.wait(0.05):
                assert all(s.value is None for s in driver.poll(1.0))
    finally:
        driver.close()
        board.unplug()
