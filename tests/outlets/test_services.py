"""The notification library in its child process, against a receiver and the real topic push server."""

import json
import subprocess
import sys
import time
from importlib.util import find_spec

import pytest

from rushlight.outlets import services
from rushlight.outlets.result import Done, Later, Never, Parcel
from rushlight.outlets.services import ServicesOutlet
from rushlight.settings import Services

SECRET = "hunter2-XyZZy"
PARCEL = Parcel(key="k", priority="high", title="Foyer: zu warm – °C", body="It is 28 °C.", link="http://x/")

pytestmark = pytest.mark.skipif(find_spec("apprise") is None, reason="the extra `services` is not installed")


def outlet(*urls, deadline_s=30.0):
    return ServicesOutlet(Services(deadline_s=deadline_s), " ".join(urls))


@pytest.mark.slow
def test_a_service_gets_it(receiver):
    server = receiver()
    assert outlet(f"json://127.0.0.1:{server.port}/{SECRET}").send(PARCEL) == Done()
    sent = server.requests[0].json()
    assert (sent["title"], sent["type"]) == (PARCEL.title, "failure")
    assert sent["message"].splitlines() == ["It is 28 °C.", "http://x/"]


@pytest.mark.slow
def test_the_real_topic_push_server(push_server):
    assert outlet(f"ntfy://{push_server.token}@127.0.0.1:{push_server.port}/alarms").send(PARCEL) == Done()
    assert [m["title"] for m in push_server.messages()] == [PARCEL.title]


@pytest.mark.slow
@pytest.mark.parametrize("script", ["500", "403", "reset"])
def test_a_failure_is_for_later_and_tells_no_secret(receiver, script):
    result = outlet(f"json://127.0.0.1:{receiver(script).port}/{SECRET}").send(PARCEL)
    assert isinstance(result, Later)
    assert SECRET not in repr(result)


def test_one_of_two_is_not_done(receiver):
    good, bad = receiver(), receiver("500")
    urls = [f"json://127.0.0.1:{r.port}/" for r in (good, bad)]
    assert isinstance(outlet(*urls).send(PARCEL), Later)


@pytest.mark.slow
@pytest.mark.parametrize("urls", [[], ["nonsense"], [f"nosuch://{SECRET}"]])
def test_a_bad_address_is_never(urls):
    result = outlet(*urls).send(PARCEL)
    assert isinstance(result, Never)
    assert SECRET not in repr(result)


@pytest.mark.slow
@pytest.mark.parametrize("script", ["hang", "drip"])
def test_a_child_is_killed_at_the_deadline(receiver, script):
    server = receiver(script)
    start = time.monotonic()
    result = outlet(f"json://127.0.0.1:{server.port}/", deadline_s=2.5).send(PARCEL)
    assert isinstance(result, Later)
    assert time.monotonic() - start < 6


def test_without_the_library_it_says_which_extra_is_missing():
    """A child of an interpreter without installed packages."""
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.modules['apprise'] = None\nfrom rushlight.outlets import services; sys.exit(services._main())"],
        input=json.dumps({"urls": []}), text=True, check=False,
    )  # fmt: skip
    assert done.returncode == services._NO_LIBRARY
