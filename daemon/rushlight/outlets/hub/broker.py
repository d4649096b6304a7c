"""Who may do what at the broker: the access list that this installation needs, and whether anyone is let in.

Writes the list in the form that the common broker's `acl_file` takes (`user NAME`, then `topic read|write|readwrite
FILTER`).
"""

from __future__ import annotations

import contextlib
import ssl
import threading
from collections.abc import Iterator

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from rushlight.settings import Config

_PATIENCE_S = 4.0


def access_list(config: Config, installation: str) -> Iterator[str]:
    """The lines: the daemon, the hub with what `hub.commands` gives it, and a user a board.

    `installation` is the id under which the hub knows this installation.
    """
    hub, base = config.hub, f"{config.hub.topic}/{installation}"
    yield f"# Rushlight at {config.site.name}"
    yield f"user {config.mqtt.user or 'rushlight'}"
    yield f"topic write {base}/#"
    yield f"topic write {hub.discovery_prefix}/#"
    yield f"topic read {hub.birth_topic or hub.discovery_prefix + '/status'}"
    if hub.commands:
        yield f"topic read {base}/#"
    topics = sorted({p.options.topic for p in config.probe if p.driver == "mqtt"})
    yield from (f"topic read {t}" for t in topics)
    yield ""
    yield "# The home-automation hub"
    yield "user hub"
    yield f"topic read {base}/#"
    yield f"topic read {hub.discovery_prefix}/#"
    yield f"topic write {hub.birth_topic or hub.discovery_prefix + '/status'}"
    if {"record", "correct", "calibrate", "shelve", "test", "acknowledge"} & set(hub.commands):
        yield f"topic write {base}/command"
    if "acknowledge" in hub.commands:
        yield f"topic write {base}/site/press/acknowledge"
        yield f"topic write {base}/tank/+/press/acknowledge"
    if "test" in hub.commands:
        yield f"topic write {base}/tank/+/set/+"
        yield f"topic write {base}/tank/+/press/record"
    if topics:
        yield ""
        yield "# The boards; give each its own user and topic where you can"
        yield "user board"
        yield from (f"topic write {t}" for t in topics)


def lets_anyone_in(host: str, port: int, *, tls: bool = False) -> bool:
    """Whether a client without user and password is taken; False too where nobody answers in time."""
    done, let_in = threading.Event(), threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="", clean_session=True)

    def on_connect(_c: object, _d: object, _f: object, reason: ReasonCode, _p: object) -> None:
        if not reason.is_failure:
            let_in.set()
        done.set()

    client.on_connect = on_connect
    client.connect_timeout = _PATIENCE_S
    if tls:
        client.tls_set(cert_reqs=ssl.CERT_NONE)
        client.tls_insecure_set(True)  # nothing is told to it; the question is whether it would take us
    with contextlib.suppress(OSError, ValueError):
        client.connect(host, port)
        client.loop_start()
        done.wait(_PATIENCE_S)
    with contextlib.suppress(OSError, ValueError):
        client.disconnect()
        client.loop_stop()
    return let_in.is_set()
