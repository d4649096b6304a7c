"""Every driver keeps every promise of the contract: one suite, all drivers."""

from __future__ import annotations

import ast
import dataclasses
import gc
import inspect
import math
import os
import random
import subprocess
import threading
import time
import typing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

import rushlight_drivers
from helpers.driverrigs import RIGS, Rig, descriptors, polled
from rushlight_drivers import LinkError, load
from rushlight_drivers.contract import Trouble

TROUBLES = set(typing.get_args(Trouble))
QUANTITIES = {"temperature", "ph", "light", "nitrate", "conductivity", "level", "air_temperature", "humidity"}
SPEAKING = [r for r in RIGS if r.name != "none"]


@pytest.fixture
def rig(request: pytest.FixtureRequest, tmp_path) -> typing.Iterator[Rig]:
    r = request.param(tmp_path)
    yield r
    r.close()


def each(rigs=RIGS):
    return pytest.mark.parametrize("rig", rigs, ids=lambda r: r.name, indirect=True)


def _check(samples, since_s: float) -> None:
    for s in samples:
        assert s.channel == "probe"
        assert s.trouble in TROUBLES
        assert s.value is None or math.isfinite(s.value)
        assert (s.value is None) == (s.trouble not in {"", "retained"})
        assert since_s - 1.0 <= s.mono_s <= time.monotonic()


def test_every_driver_has_a_rig():
    assert tuple(sorted(r.name for r in RIGS)) == tuple(sorted(rushlight_drivers.NAMES))


@each()
def test_building_touches_nothing(rig):
    before = descriptors(), threading.active_count()
    driver = rig.build()
    assert (descriptors(), threading.active_count()) == before
    assert list(rig.folder.iterdir()) == []
    driver.close()


@each(SPEAKING)
def test_a_value_arrives_as_it_was_sent(rig):
    rig.plug()
    driver = rig.build()
    start_s = time.monotonic()
    driver.open()
    assert time.monotonic() - start_s < 10
    rig.speak()
    samples = polled(driver)
    _check(samples, start_s)
    assert samples[-1].value == pytest.approx(rig.value, abs=1e-9)
    driver.close()


@each()
def test_a_poll_ends_in_time_whether_or_not_there_is_anything(rig):
    rig.plug()
    driver = rig.build()
    driver.open()
    for timeout_s in (0.0, 0.05, 0.6):
        start_s = time.monotonic()
        _check(driver.poll(timeout_s), start_s)
        assert time.monotonic() - start_s < timeout_s + 1.0
    driver.close()


@each()
def test_closing_is_always_allowed(rig):
    driver = rig.build()
    driver.close()
    driver.close()
    rig.plug()
    driver.open()
    driver.close()
    driver.close()


@each()
def test_polling_what_is_not_open_is_a_link_error(rig):
    rig.plug()
    driver = rig.build()
    with pytest.raises(LinkError):
        driver.poll(0.1)
    driver.open()
    driver.close()
    with pytest.raises(LinkError):
        driver.poll(0.1)


@each([r for r in SPEAKING if r.has_device])
def test_an_absent_device_is_a_link_error_that_says_what_to_do(rig):
    driver = rig.build()
    start_s = time.monotonic()
    with pytest.raises(LinkError) as e:
        driver.open()
    assert time.monotonic() - start_s < 10
    assert len(str(e.value)) > 20
    driver.close()


@each(SPEAKING)
def test_a_lost_link_is_told_and_comes_back(rig):
    rig.plug()
    driver = rig.build()
    driver.open()
    rig.speak()
    polled(driver)
    rig.unplug()
    if rig.loses_link:
        with pytest.raises(LinkError):
            for _ in range(50):
                driver.poll(0.1)
    else:
        assert all(s.value is None or rig.name == "recorded" or not rig.has_device for s in driver.poll(0.5))
    driver.close()
    if rig.has_device:
        with pytest.raises(LinkError):
            driver.open()
    driver.close()
    rig.plug()
    driver.open()
    rig.speak()
    assert polled(driver)[-1].value == pytest.approx(rig.value, abs=1e-9)
    driver.close()


@each()
def test_closing_from_another_thread_breaks_off_a_poll(rig):
    rig.plug()
    driver = rig.build()
    driver.open()
    driver.poll(0.3)
    ended = []

    def poll():
        try:
            driver.poll(8.0)
            ended.append("returned")
        except LinkError:
            ended.append("link error")

    thread = threading.Thread(target=poll)
    thread.start()
    time.sleep(0.1)
    start_s = time.monotonic()
    driver.close()
    thread.join(5)
    assert ended
    assert time.monotonic() - start_s < 2.0
    driver.open()
    driver.close()


@pytest.mark.slow
@each()
def test_nothing_but_link_errors_in_a_storm_of_calls_from_two_threads(rig):
    rig.plug()
    driver = rig.build()
    stop_s = time.monotonic() + 1.0
    wrong = []

    def hammer(seed: int):
        rng = random.Random(seed)
        while time.monotonic() < stop_s:
            try:
                rng.choice([driver.open, driver.close, lambda: driver.poll(rng.choice([0.0, 0.05]))])()
            except LinkError:
                pass
            except BaseException as e:  # noqa: BLE001
                wrong.append(repr(e))

    threads = [threading.Thread(target=hammer, args=(n,)) for n in range(2)]
    for t in threads:
        t.start()
    for t in threads:
        t.join(20)
    driver.close()
    assert wrong == []


NOISE = (
    b"\x00\xff\xfe garbage \r\n",
    b"nan\r\n",
    b"inf\r\n",
    b"[" * 900 + b"\r\n",
    b"7,0,2\r\n",
    "٧.٤٢\r\n".encode(),
    b"1_0\r\n",
    b"{}\r\n",
    b'{"t": true}\r\n',
    b'{"t": 1e999}\r\n',
    b"x" * 3000 + b"\r\n",
)


@pytest.mark.slow
@each([r for r in SPEAKING if r.name not in {"recorded", "simulated"}])
def test_noise_never_becomes_a_value_and_never_an_exception(rig):
    rig.plug()
    driver = rig.build()
    driver.open()
    rig.speak()
    polled(driver)
    for noise in NOISE:
        rig.noise(noise)
        start_s = time.monotonic()
        samples = [*driver.poll(0.3)]
        _check(samples, start_s)
        assert [s.value for s in samples if s.value is not None and s.value != rig.value] == []
    rig.speak()
    assert polled(driver, lambda seen: any(s.value is not None for s in seen))[-1].value == pytest.approx(rig.value)
    driver.close()


@pytest.mark.slow
@each([r for r in RIGS if r.name != "mqtt"])
def test_opening_and_closing_leaks_nothing(rig):
    rig.plug()
    driver = rig.build()
    driver.open()
    driver.poll(0.1)
    driver.close()
    gc.collect()
    before = descriptors(), threading.active_count()
    for _ in range(10):
        driver.open()
        driver.poll(0.02)
        driver.close()
    gc.collect()
    assert (descriptors(), threading.active_count()) == before
    assert _children() == []


def _children() -> list[str]:
    """Names of this process's children."""
    me = str(os.getpid())
    found = subprocess.run(["ps", "--ppid", me, "-o", "comm="], check=False, capture_output=True, text=True)
    return [n for n in found.stdout.split() if n in {"head", "tee"}]


@pytest.mark.parametrize("name", rushlight_drivers.NAMES)
def test_options_are_frozen_checked_and_documented(name):
    spec = load(name)
    assert dataclasses.is_dataclass(spec.options)
    assert spec.options.__dataclass_params__.frozen
    assert spec.options.__doc__
    with pytest.raises(ValidationError, match="no_such_key"):
        TypeAdapter(spec.options).validate_json('{"no_such_key": 1}', strict=True)
    documented = {n for cls in spec.options.__mro__ if dataclasses.is_dataclass(cls) for n in _documented(cls)}
    assert documented == {f.name for f in dataclasses.fields(spec.options)}
    assert spec.quantities <= QUANTITIES
    assert spec.maturity in {"draft", "tried", "proven"}


def _documented(cls: type) -> set[str]:
    """The fields of a class that are followed by a text."""
    (tree,) = ast.parse(inspect.getsource(cls)).body
    assert isinstance(tree, ast.ClassDef)
    found = set()
    for field, text in zip(tree.body, tree.body[1:], strict=False):
        is_text = isinstance(text, ast.Expr) and isinstance(text.value, ast.Constant)
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name) and is_text:
            found.add(field.target.id)
    return found


@each()
def test_channels_on_one_wire_share_a_link_and_the_name_is_stable(rig):
    spec, options = load(rig.name), rig.options
    assert spec.link_of(options) == spec.link_of(rig.options)
    assert isinstance(spec.link_of(options), str)


@given(text=st.text(max_size=200))
@settings(max_examples=30)
def test_unknown_drivers_are_a_key_error(text):
    if text not in rushlight_drivers.NAMES:
        with pytest.raises(KeyError):
            load(text)
