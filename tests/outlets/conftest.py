"""Receivers for the outlets' tests, opened and closed with each test."""

import contextlib

import pytest

from helpers.receivers import Authority, Postbox, PushServer, Receiver, Silent


@pytest.fixture(scope="session")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def opened():
    with contextlib.ExitStack() as stack:
        yield lambda thing: (stack.callback(thing.close), thing)[1]


@pytest.fixture
def receiver(opened):
    return lambda script="200", tls=None: opened(Receiver(script, tls))


@pytest.fixture
def silent(opened):
    return lambda drip=b"": opened(Silent(drip))


@pytest.fixture
def postbox(opened):
    return lambda *args, **more: opened(Postbox(*args, **more))


@pytest.fixture
def push_server(opened, tmp_path):
    return opened(PushServer(tmp_path))
