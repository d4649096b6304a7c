"""The kernel's undervoltage bit, through a whole daemon: told with the probe's trouble, remembered after a restart."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from helpers.site import CONFIG, config_of
from helpers.waiting import until
from rushlight.events import Reading
from rushlight.service.service import Service

pytestmark = pytest.mark.slow


def daemon(tmp_path: Path) -> tuple[Service, threading.Thread]:
    text = f'{CONFIG}\n[storage]\nfolder = "{tmp_path / "data"}"\n[page]\nenabled = false\n'
    service = Service(config_of(text), tmp_path / "data", sys=tmp_path / "sys", synchronised=lambda: True)
    thread = threading.Thread(target=service.run)
    thread.start()
    until(lambda: getattr(service, "engine", None) is not None and service.engine.evaluated_mono_s, 20)
    return service, thread


def sentence(service: Service) -> str:
    view = service.engine.view()
    return next(p.trouble for t in view.tanks for p in t.probes if p.id == "foyer-ph")


def test_the_kernels_bit_reaches_the_probes_sentence_and_outlives_a_restart(tmp_path: Path) -> None:
    bit = tmp_path / "sys/class/hwmon/hwmon0/in0_lcrit_alarm"
    bit.parent.mkdir(parents=True)
    (bit.parent / "name").write_text("rpi_volt\n")
    bit.write_text("1\n")
    (tmp_path / "data").mkdir()
    service, thread = daemon(tmp_path)
    try:
        until(lambda: service.engine.do(lambda: service.engine.timeline.state.dips), 10)
        now_s = service.engine.now_s()
        for n in range(6):
            service.engine.submit(Reading(at_s=now_s + n / 100, probe="foyer-ph", value=None))
        assert "supply voltage dipped once" in until(lambda: sentence(service), 5)
    finally:
        service.stop.set()
        thread.join(20)
    bit.unlink()
    service, thread = daemon(tmp_path)
    try:
        assert "supply voltage dipped once" in sentence(service)
    finally:
        service.stop.set()
        thread.join(20)
    assert not thread.is_alive()
