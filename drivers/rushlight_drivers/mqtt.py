"""Probes that publish over MQTT: a plain number, a value inside JSON, or SenML.

Owns which message concerns which probe (`PayloadCodec`, pure) and one connection to one broker.  Never takes a stored
(retained) message for a fresh one.

The network loop runs inside `poll`, in the caller's thread: there is no thread that could die unseen, and a
message that arrives while nobody polls waits in the broker's queue, which drops the newest when it is full.  A
lost connection is a `LinkError`; opening again makes a new client and subscribes afresh, so nothing survives a
reconnection that could be out of date.
"""

from __future__ import annotations

import hashlib
import os
import ssl
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import paho.mqtt.client as paho
from annotated_types import Ge, Le, MinLen
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from rushlight_drivers.contract import Channel, DriverSpec, LinkError, Monotonic, Sample
from rushlight_drivers.formats.numerals import judged, sentinels_of
from rushlight_drivers.formats.payloads import BadPayloadError, Found, Place, found_in
from rushlight_drivers.links.session import Session, disagreement

_OPEN_S = 8.0
_SLICE_S = 1.0
"""A turn of the network loop at most: what comes ends it sooner, a close has to wait for it."""
_DIGEST_BYTES = 4
"""It only tells a message that comes again under its old number from a new one under that number."""
_MOST_AT_ONCE = 200
_MOST_TOPICS = 1000
"""Samples that one poll hands over; the rest wait in the socket."""
_SHORT_S, _SHORT_SESSIONS = 20.0, 3
_NO_VALUE = {"", "null", "none", "nan", "unknown", "unavailable", "--"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Options(Place):
    """One probe on a broker."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    host: Annotated[str, MinLen(1)] = "localhost"
    """The broker."""
    port: Annotated[int, Ge(1), Le(65535)] | None = None
    """Left out: 1883, or 8883 with TLS."""
    sentinels: tuple[float, ...] | None = None
    """Numbers that mean a fault on this device.  Left out: −127 and 85 for temperature, none for anything else."""
    qos: Annotated[int, Ge(0), Le(1)] = 0
    """0: what arrives between two flushes (`storage.flush_seconds`) is lost when the daemon is killed or the power
    fails.  1: it is confirmed to the broker only once it is on the disk, and comes again after a kill, marked as late;
    the board must publish at QoS 1 too, and the broker must be told `max_inflight_messages`, see `window`."""
    window: Annotated[int, Ge(1), Le(65535)] = 20
    """At QoS 1: so many messages the broker hands out unconfirmed (its `max_inflight_messages`, commonly 20).  The
    readings go to the disk when three quarters wait, or after `storage.flush_seconds`; to spare the card, raise both to
    more than the probes of this broker send in a flush."""
    session_hours: Annotated[int, Ge(1), Le(720)] = 24
    """At QoS 1: so long the broker keeps what comes while the daemon is away, up to its own `max_queued_messages`."""
    user: str = ""
    """Empty: the broker asks for no password."""
    password_file: str = ""
    """File that holds the password; a bare name is looked up among systemd's credentials."""
    tls: bool = False
    """Encrypt, and check who the broker is."""
    ca_file: str = ""
    """A certificate authority of your own, PEM; empty: the system's."""
    client_id: str = ""
    """Empty: made up from this machine, the broker and the process.  No two clients of a broker may have the same."""
    protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version; with 5 the broker says why it ends a connection."""
    keepalive_s: Annotated[int, Ge(2), Le(600)] = 30
    """A broker that is silent for up to twice as long counts as gone."""


def link_of(options: Options) -> str:
    """Probes on the same broker, as the same user, share a connection."""
    who = "/".join(x for x in (options.user, options.client_id) if x)
    return f"{who + '@' if who else ''}{options.host}:{_port(options)}"


def _port(options: Options) -> int:
    return options.port or (8883 if options.tls else 1883)


_LINK_SETTINGS = ("qos", "password_file", "tls", "ca_file", "protocol", "keepalive_s", "window", "session_hours")


class PayloadCodec:
    """Payloads to samples.  Pure."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._channels = channels
        self._concerned: dict[str, list[Channel]] = {}

    def topics(self) -> list[str]:
        """The subscriptions needed, without those that another already covers."""
        asked = list(dict.fromkeys(c.options.topic for c in self._channels))
        return [t for t in asked if not any(o != t and _covers(o, t) for o in asked)]

    def samples(self, topic: str, payload: bytes, mono_s: float, *, retained: bool = False) -> list[Sample]:
        """What the message says of every channel that its topic concerns, in the order of the channels."""
        mine = self._concerned.get(topic)
        if mine is None:
            mine = [c for c in self._channels if paho.topic_matches_sub(c.options.topic, topic)]
            if len(self._concerned) >= _MOST_TOPICS:  # who publishes under ever new names shall not fill the memory
                self._concerned.clear()
            self._concerned[topic] = mine
        return [s for c in mine for s in _of_channel(c, payload, mono_s, retained=retained)]


def _covers(wide: str, narrow: str) -> bool:
    return not any(c in narrow for c in "+#") and paho.topic_matches_sub(wide, narrow)


def _of_channel(channel: Channel, payload: bytes, mono_s: float, *, retained: bool) -> list[Sample]:
    try:
        found = found_in(payload, channel.options)
    except BadPayloadError as e:
        return [Sample(channel.name, mono_s, None, e.trouble, f"{e}: {payload[:40]!r}")]
    return [_sample(channel, f, mono_s, retained=retained) for f in found]


def _sample(channel: Channel, found: Found, mono_s: float, *, retained: bool) -> Sample:
    name, said, at_s = channel.name, found.said, mono_s - found.age_s
    j = judged(said, _NO_VALUE, sentinels_of(channel.options.sentinels, channel.quantity))
    trouble, detail = j.trouble, j.detail
    if retained and not trouble:
        trouble, detail = "retained", "a stored message; the device may be gone"
    return Sample(name, at_s, j.value, trouble, detail, found.unit, j.raw, source_unix_s=found.time_s)


class MqttDriver(Session):
    """One connection to one broker; see `contract` for what each method promises."""

    def __init__(self, channels: Sequence[Channel], monotonic: Monotonic) -> None:
        super().__init__(channels, monotonic)
        self._options: Options = channels[0].options
        self._codec = PayloadCodec(channels)
        self._client: paho.Client | None = None
        self._inbox: list[Sample] = []
        self._lost = ""
        self._asked: dict[int, str] = {}
        self._connected_s = 0.0
        self._short_sessions = 0
        self.confirms = self._options.qos > 0
        self.upto = 0
        self._confirmed = 0
        self._waiting_for: dict[int, tuple[int, bytes]] = {}
        """By packet identifier, what was handed over and is not confirmed: its number, and a digest of it."""
        self._kept: dict[int, bytes] = {}
        """The same for what is kept, as its confirmation may not have arrived."""

    # ------------------------------------------------------------------ confirming, see `contract.Confirming`

    @property
    def pressed(self) -> bool:
        return 4 * len(self._waiting_for) >= 3 * self._options.window

    def identities(self, upto: int) -> bytes:
        return _packed([(number, digest) for number, (n, digest) in list(self._waiting_for.items()) if n <= upto])

    def confirm(self, upto: int) -> None:
        self._confirmed = max(self._confirmed, upto)

    def recall(self, identities: bytes) -> None:
        self._kept.update(_unpacked(identities))

    def _acknowledge(self) -> None:
        """Tell the broker what is kept by now."""
        if self._client is None or not self._waiting_for:
            return
        upto = self._confirmed
        for number in [k for k, (n, _) in list(self._waiting_for.items()) if n <= upto]:
            self._kept[number] = self._waiting_for.pop(number)[1]
            self._client.ack(number, 1)

    def _is_new(self, message: paho.MQTTMessage) -> bool:
        """Whether a message at QoS 1 has not been handed over before; one that is kept is confirmed again."""
        digest = hashlib.blake2b(message.topic.encode() + b"\0" + bytes(message.payload), digest_size=_DIGEST_BYTES)
        name, number = digest.digest(), message.mid
        if message.dup and self._kept.get(number) == name:
            if self._client is not None:
                self._client.ack(number, 1)
            return False
        if message.dup and number in self._waiting_for and self._waiting_for[number][1] == name:
            return False
        self._kept.pop(number, None)
        self.upto += 1
        self._waiting_for[number] = (self.upto, name)
        return True

    # ------------------------------------------------------------------ the link

    def _acquire(self) -> None:
        if trouble := disagreement(self._channels, _LINK_SETTINGS):
            raise LinkError(trouble)
        self._inbox.clear()
        self._lost, self._asked, self._connected_s = "", {}, 0.0
        self._client = client = self._new_client()
        try:
            client.connect(
                self._options.host, _port(self._options), self._options.keepalive_s, **_session(self._options)
            )
        except ssl.SSLError as e:
            raise LinkError(f"{self._where()} does not prove who it is ({e}); is ca_file right?") from None
        except (OSError, ValueError) as e:
            raise LinkError(f"{self._where()} can't be reached ({e}); is the broker running?") from None
        deadline_s = self._monotonic() + _OPEN_S
        while not self._connected_s or self._asked:
            self._loop(deadline_s)
            if self._broken.is_set():
                return
            if self._monotonic() >= deadline_s:
                raise LinkError(f"{self._where()} does not answer")

    def _pass(self, deadline_s: float) -> Sequence[Sample]:
        while not self._broken.is_set():
            self._loop(deadline_s if not self._inbox else 0.0)
            now_s = self._monotonic()
            if len(self._inbox) >= _MOST_AT_ONCE or now_s >= deadline_s or (self._inbox and not self._waiting()):
                break
        out, self._inbox = self._inbox, []
        return out

    def _loop(self, deadline_s: float) -> None:
        """One turn of the network loop, at most a slice long; raises LinkError when the connection is lost."""
        assert self._client is not None
        self._acknowledge()
        slice_s = min(_SLICE_S, max(0.0, deadline_s - self._monotonic()))
        result = self._client.loop(slice_s)
        if self._lost or result != MQTTErrorCode.MQTT_ERR_SUCCESS:
            why = self._lost or paho.error_string(result)
            self._lost = why
            if self._inbox and self._connected_s:
                return  # hand over what came before the end; the next poll reports it
            raise LinkError(f"{self._where()}: {why}{self._suspicion()}")

    def _waiting(self) -> bool:
        """Whether another message may already be here; one turn of the loop takes only one."""
        if self._lost:
            return False
        before = len(self._inbox)
        self._loop(0.0)
        return len(self._inbox) > before

    def _release(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.on_disconnect = None
            client.disconnect()

    def _new_client(self) -> paho.Client:
        o = self._options
        version = paho.MQTTv5 if o.protocol == "5" else paho.MQTTv311
        keeps: dict[str, Any] = {"manual_ack": self.confirms}
        if self.confirms and version == paho.MQTTv311:
            keeps["clean_session"] = False
        name = o.client_id or _client_id(o, self._codec.topics())
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=version, **keeps)
        client.connect_timeout = _OPEN_S / 2
        client.max_queued_messages_set(10)
        if o.user:
            client.username_pw_set(o.user, _password(o))
        if o.tls:
            client.tls_set_context(_tls(o))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _on_connect(
        self, client: paho.Client, _data: Any, flags: Any, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._lost = _refusal(reason, self._options)
            return
        if not flags.session_present:  # the broker knows nothing of what it handed out, and numbers anew
            self._waiting_for.clear()
            self._kept.clear()
        for topic in self._codec.topics():
            _, number = client.subscribe(topic, self._options.qos)
            if number is not None:
                self._asked[number] = topic
        self._connected_s = self._monotonic()

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, number: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        topic = self._asked.pop(number, "")
        if any(r.is_failure for r in reasons):
            self._lost = f"refuses the subscription to {topic} ({reasons[0]}); is this user allowed to read it?"

    def _on_disconnect(
        self, _client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        short = self._connected_s and self._monotonic() - self._connected_s < _SHORT_S
        self._short_sessions = self._short_sessions + 1 if short else 0
        if str(reason) == "Session taken over":
            self._lost = self._lost or "another client with our id took over; is a second copy of this program running?"
        self._lost = self._lost or f"the connection was lost ({reason})"

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        """Never raises: one bad message must not cost those after it."""
        now_s = self._monotonic()
        try:
            if message.qos > 0 and self.confirms and not self._is_new(message):
                return
            found = self._codec.samples(message.topic, bytes(message.payload), now_s, retained=message.retain)
            self._inbox += [replace(s, late=True) for s in found] if message.dup else found
        except Exception as e:  # noqa: BLE001 - whatever a payload can break here, it is that payload's fault alone
            detail = f"the driver stumbled over a message ({type(e).__name__}: {e})"
            self._inbox += [Sample(c.name, now_s, None, "garbled", detail) for c in self._channels]

    def _suspicion(self) -> str:
        """MQTT 3.1.1 does not say that a session was taken over; connections that end at once do."""
        if self._short_sessions < _SHORT_SESSIONS:
            return ""
        return f"; {self._short_sessions} short connections in a row: does another client use the same client_id?"

    def _where(self) -> str:
        return f"broker {self._options.host}:{_port(self._options)}"


def _packed(messages: Sequence[tuple[int, bytes]]) -> bytes:
    """Numbers and digests; a run of numbers is its first and its length, for the card bears each byte every time."""
    runs: list[tuple[int, list[bytes]]] = []
    for number, digest in messages:
        if not runs or number != runs[-1][0] + len(runs[-1][1]):
            runs.append((number, []))
        runs[-1][1].append(digest)
    return b"".join(struct.pack(">HH", first, len(found)) + b"".join(found) for first, found in runs)


def _unpacked(packed: bytes) -> Iterator[tuple[int, bytes]]:
    """What `_packed` was given, as far as it is whole."""
    at = 0
    while at + 4 <= len(packed):
        first, count = struct.unpack_from(">HH", packed, at)
        at += 4
        for n in range(min(count, (len(packed) - at) // _DIGEST_BYTES)):
            yield first + n, packed[at + n * _DIGEST_BYTES : at + (n + 1) * _DIGEST_BYTES]
        at += count * _DIGEST_BYTES


class _TidySocket(ssl.SSLSocket):
    """Closes itself when the other side does not prove who it is; paho would leave it to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _tls(options: Options) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=options.ca_file or None)
    except OSError as e:
        raise LinkError(f"ca_file {options.ca_file} can't be used ({e})") from None
    # From Python 3.13 on, strict checking is the default and refuses what home-made authorities commonly leave out (the
    # authority key identifier); chain, name and dates are checked all the same.
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    context.sslsocket_class = _TidySocket
    return context


def _refusal(reason: ReasonCode, options: Options) -> str:
    said = str(reason)
    if said in {"Not authorized", "Bad user name or password"}:
        who = f"user {options.user!r}" if options.user else "a client without a user"
        return f"refuses {who} ({said}); look at user and password_file"
    if said == "Unsupported protocol version":
        return f'refuses MQTT {options.protocol}; try protocol = "3.1.1"'
    return f"refuses the connection ({said})"


def _session(options: Options) -> dict[str, Any]:
    """At QoS 1, a session that outlives a kill of ours, and no more at a time than we said."""
    if options.qos == 0 or options.protocol != "5":
        return {}
    wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    wanted.SessionExpiryInterval = options.session_hours * 3600
    wanted.ReceiveMaximum = options.window
    return {"clean_start": False, "properties": wanted}


def _client_id(options: Options, topics: Sequence[str]) -> str:
    """Unique to this machine, broker and process, so that a check beside a running daemon does not throw it out.

    At QoS 1 the same after a restart, for the broker keeps what we have not confirmed under this name.
    """
    try:
        machine = Path("/etc/machine-id").read_text().strip()
    except OSError:
        machine = os.uname().nodename
    if options.qos:
        return f"rushlight-{hashlib.sha256(' '.join([machine, link_of(options), *topics]).encode()).hexdigest()[:14]}"
    digest = hashlib.sha256(f"{machine} {link_of(options)}".encode()).hexdigest()[:10]
    return f"rushlight-{digest}-{os.getpid()}"


def _password(options: Options) -> str | None:
    if not options.password_file:
        return None
    held = Path(os.environ.get("CREDENTIALS_DIRECTORY", "/nonexistent")) / options.password_file
    file = held if "/" not in options.password_file and held.exists() else Path(options.password_file)
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as e:
        raise LinkError(f"the broker's password can't be read from {file} ({e})") from None


SPEC = DriverSpec(options=Options, link_of=link_of, build=MqttDriver, streams=True, maturity="tried")
