"""Probes over MQTT against a real broker: everything that can go wrong between a board and the daemon."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.driverrigs import MqttRig, polled, publish
from helpers.hub import MOSQUITTO, Broker
from helpers.receivers import Authority
from rushlight_drivers import Channel, LinkError, mqtt
from rushlight_drivers.mqtt import MqttDriver, Options, PayloadCodec

pytestmark = [pytest.mark.broker, pytest.mark.skipif(not MOSQUITTO, reason="mosquitto is not installed")]


def said(payload: bytes, quantity: str = "temperature", *, retained: bool = False, **options) -> list:
    channel = Channel("p", Options(topic="a/b", **options), quantity)
    return [s.trouble or s.value for s in PayloadCodec([channel]).samples("a/b", payload, 1.0, retained=retained)]


# -- payloads -------------------------------------------------------------------------------------------------

PACK = [
    {"bn": "urn:dev:mac:0024befffe804ff1:", "bu": "Cel", "n": "water", "v": 24.3},
    {"n": "air", "v": 20.5},
    {"n": "lamp", "vb": True},
]


@pytest.mark.parametrize(
    ("payload", "options", "expected"),
    [
        (b"24.3", {}, [24.3]),
        (b" 24.3\n", {}, [24.3]),
        (b"", {}, ["no_value"]),
        (b"unavailable", {}, ["no_value"]),
        (b"nan", {}, ["no_value"]),
        (b"inf", {}, ["garbled"]),
        (b"24.3 C", {}, ["garbled"]),
        (b"24,3", {}, ["garbled"]),
        (b"\xff\xfe", {}, ["garbled"]),
        (b"{}", {}, ["garbled"]),
        (b"1" * 1_000_000, {}, ["garbled"]),
        (b"85.0", {}, ["sentinel"]),
        (b"-127", {}, ["sentinel"]),
        (b'{"w": {"t": 24.3}}', {"format": "json", "pointer": "/w/t"}, [24.3]),
        (b'{"w": [1, 24.3]}', {"format": "json", "pointer": "/w/1"}, [24.3]),
        (b'{"w": {"t": null}}', {"format": "json", "pointer": "/w/t"}, ["no_value"]),
        (b'{"w": {"t": NaN}}', {"format": "json", "pointer": "/w/t"}, ["no_value"]),
        (b'{"w": {"t": true}}', {"format": "json", "pointer": "/w/t"}, ["garbled"]),
        (b'{"w": {"t": {}}}', {"format": "json", "pointer": "/w/t"}, ["garbled"]),
        (b'{"w": {"ph": 7.0}}', {"format": "json", "pointer": "/w/t"}, []),  # speaks of something else
        (b"null", {"format": "json", "pointer": "/w/t"}, []),
        (b"24.3", {"format": "json"}, [24.3]),  # the empty pointer is the whole document
        (b"{", {"format": "json", "pointer": "/w/t"}, ["garbled"]),
        (b"[" * 60_000, {"format": "json", "pointer": "/w/t"}, ["garbled"]),
        (json.dumps(PACK[:1]).encode(), {"format": "senml"}, [24.3]),
        (json.dumps(PACK).encode(), {"format": "senml", "record": "urn:dev:mac:0024befffe804ff1:air"}, [20.5]),
        (json.dumps(PACK).encode(), {"format": "senml"}, ["garbled"]),  # which one?
        (json.dumps(PACK).encode(), {"format": "senml", "record": "elsewhere"}, []),
        (b'[{"n": "x", "v": "24.3"}]', {"format": "senml"}, ["garbled"]),
        (b"24.3", {"format": "senml"}, ["garbled"]),
    ],
)
def test_what_a_payload_becomes(payload, options, expected):
    assert said(payload, **options) == expected


def test_senml_names_its_unit_and_its_time():
    options = Options(topic="a", format="senml", record="x:t")
    payload = (
        b'[{"bn": "x:", "bt": 1320067464, "n": "t", "u": "Cel", "v": 24.3}, {"n": "t", "u": "Cel", "t": 10, "v": 24.4}]'
    )
    samples = PayloadCodec([Channel("p", options)]).samples("a", payload, 5.0)
    assert [(s.value, s.unit, s.source_unix_s, s.mono_s) for s in samples] == [
        (24.3, "Cel", 1320067464.0, 5.0),
        (24.4, "Cel", 1320067474.0, 5.0),
    ]


def test_a_value_measured_some_seconds_ago_is_stamped_so():
    options = Options(topic="a", format="senml")
    payload = b'[{"bn": "x", "t": -30, "v": 24.3}, {"v": 24.4}]'
    samples = PayloadCodec([Channel("p", options)]).samples("a", payload, 1000.0)
    assert [(s.value, s.source_unix_s, s.mono_s) for s in samples] == [(24.3, None, 970.0), (24.4, None, 1000.0)]


def test_a_time_beside_the_value_is_taken_from_where_it_is_said_to_be():
    options = Options(topic="a", format="json", pointer="/t", time_pointer="/at")
    codec = PayloadCodec([Channel("p", options)])
    (sample,) = codec.samples("a", b'{"t": 24.3, "at": 1700000000}', 1.0)
    assert sample.source_unix_s == 1700000000.0
    (sample,) = codec.samples("a", b'{"t": 24.3, "at": "noon"}', 1.0)
    assert (sample.value, sample.source_unix_s) == (24.3, None)


def test_a_stored_message_is_the_last_known_value_and_never_a_fresh_one():
    assert said(b"24.3", retained=True) == ["retained"]
    assert said(b"garbage", retained=True) == ["garbled"]


def test_subscriptions_that_another_covers_are_not_made_twice():
    channels = [Channel(str(n), Options(topic=t)) for n, t in enumerate(["a/+", "a/b", "c/#", "c", "a/b", "d/+/e"])]
    assert PayloadCodec(channels).topics() == ["a/+", "c/#", "d/+/e"]


@given(
    payload=st.binary(max_size=80)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["t", "n", "v", "bn"]), inner, max_size=3)
        ),
        max_leaves=8,
    ).map(lambda d: json.dumps(d).encode()),
    form=st.sampled_from(["number", "json", "senml"]),
)
def test_no_payload_breaks_the_reader_or_yields_a_number_that_is_not_in_it(payload, form):
    options = Options(topic="a", format=form, pointer="/t" if form == "json" else "", sentinels=())
    for s in PayloadCodec([Channel("p", options)]).samples("a", payload, 1.0):
        if s.value is not None:
            assert s.value in _numbers(payload)


def _numbers(payload: bytes) -> set[float]:
    """Every number that the standard library's own parser finds in a payload, wherever it stands."""
    found: set[float] = set()

    def keep(text: str) -> None:
        with contextlib.suppress(ValueError, OverflowError):
            found.add(float(text))

    def walk(x) -> None:
        if isinstance(x, dict | list):
            for y in x.values() if isinstance(x, dict) else x:
                walk(y)
        elif isinstance(x, int | float | str):
            keep(str(x))

    with contextlib.suppress(ValueError):
        keep(payload.decode())
        walk(json.loads(payload))
    return found


# -- a broker -------------------------------------------------------------------------------------------------


@pytest.fixture
def rig(tmp_path):
    r = MqttRig(tmp_path)
    r.plug()
    yield r
    r.close()


def driver(port: int, *topics: str, **options) -> MqttDriver:
    names = topics or ("t",)
    return MqttDriver(
        [Channel(t, Options(topic=t, host="127.0.0.1", port=port, **options)) for t in names], time.monotonic
    )


def words(samples) -> list:
    return [s.trouble or s.value for s in samples]


def test_several_probes_on_one_broker(rig):
    d = driver(rig.broker.port, "a/t", "b/t", "+/t")
    d.open()
    publish(rig.broker.port, "b/t", b"1.5")
    assert [(s.channel, s.value) for s in polled(d)] == [("b/t", 1.5), ("+/t", 1.5)]
    d.close()


def test_a_retained_message_is_marked_and_a_live_one_on_the_same_topic_is_not(rig):
    publish(rig.broker.port, "t", b"20.0", retain=True)
    d = driver(rig.broker.port)
    d.open()
    assert words(polled(d)) == ["retained"]
    publish(rig.broker.port, "t", b"21.0", retain=True)
    assert words(polled(d)) == [21.0]
    d.close()
    d.open()  # a restarted daemon must not take yesterday's message for news
    assert words(polled(d)) == ["retained"]
    d.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("kill", [False, True])
def test_after_a_broker_restart_it_subscribes_again(rig, protocol, kill):
    d = driver(rig.broker.port, protocol=protocol)
    d.open()
    publish(rig.broker.port, "t", b"1.0")
    assert words(polled(d)) == [1.0]
    rig.broker.stop(kill=kill)
    with pytest.raises(LinkError):
        for _ in range(50):
            d.poll(0.1)
    d.close()
    with pytest.raises(LinkError, match="is the broker running"):
        d.open()
    rig.broker.start()
    d.open()
    publish(rig.broker.port, "t", b"2.0")
    assert words(polled(d)) == [2.0]
    d.close()


def test_bad_payloads_cost_only_themselves(rig):
    d = driver(rig.broker.port)
    d.open()
    for payload in (b"\xff\xfe\xfd", b"{}", b"x" * 1_000_000, b"null", b""):
        publish(rig.broker.port, "t", payload)
    publish(rig.broker.port, "t", b"21.5")
    assert words(polled(d, lambda seen: len(seen) == 6)) == [
        "garbled",
        "garbled",
        "garbled",
        "no_value",
        "no_value",
        21.5,
    ]
    d.close()


def test_a_defect_in_the_callback_costs_one_message_and_is_said(rig, monkeypatch):
    d = driver(rig.broker.port)
    d.open()
    real = mqtt.PayloadCodec.samples
    broken = iter([True, False])

    def sometimes(self, *args, **kwargs):
        if next(broken):
            raise ZeroDivisionError("planted")
        return real(self, *args, **kwargs)

    monkeypatch.setattr(mqtt.PayloadCodec, "samples", sometimes)
    publish(rig.broker.port, "t", b"20.0")
    publish(rig.broker.port, "t", b"21.0")
    seen = polled(d, lambda s: len(s) == 2)
    assert words(seen) == ["garbled", 21.0]
    assert "planted" in seen[0].detail
    d.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_two_clients_with_one_id_are_noticed_and_named(rig, protocol):
    a, b = (driver(rig.broker.port, client_id="twin", protocol=protocol) for _ in range(2))
    a.open()
    said = []
    for _ in range(4):
        b.open()
        with pytest.raises(LinkError) as e:
            for _ in range(20):
                a.poll(0.1)
        said.append(str(e.value))
        a.open()
        with contextlib.suppress(LinkError):
            b.poll(0.2)
    # mosquitto 2.0 closes the older connection without a word, so the pattern has to give it away.
    assert "another client use the same client_id" in said[-1] or "second copy of this program" in said[-1]
    a.close()
    b.close()


def test_two_drivers_without_a_given_id_do_not_throw_each_other_out(rig):
    """As when `check` is run beside the daemon: two processes, one machine."""
    d = driver(rig.broker.port)
    d.open()
    code = (
        "import time; from rushlight_drivers import Channel, mqtt;"
        f"d = mqtt.MqttDriver([Channel('t', mqtt.Options(topic='t', host='127.0.0.1', port={rig.broker.port}))], time.monotonic);"
        "d.open(); d.poll(0.5); d.close(); print('well')"
    )
    beside = subprocess.Popen([__import__("sys").executable, "-c", code], stdout=subprocess.PIPE, text=True)
    for _ in range(10):
        d.poll(0.1)
    assert beside.communicate(timeout=20)[0] == "well\n"
    publish(rig.broker.port, "t", b"1.0")
    assert words(polled(d)) == [1.0]
    d.close()


@pytest.fixture
def guarded(tmp_path):
    passwords = tmp_path / "passwords"
    tool = ["mosquitto_passwd", "-b", "-c", str(passwords), "board", "right"]
    subprocess.run(tool, check=True, capture_output=True)
    lines = f"allow_anonymous false\npassword_file {passwords}\n"
    b = Broker(tmp_path / "guarded", lines=lines, keeps=False)
    yield b
    b.stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize(("user", "password"), [("board", "wrong"), ("nobody", "right"), ("", "")])
def test_a_wrong_password_is_named_and_never_shown(guarded, tmp_path, protocol, user, password):
    file = tmp_path / "secret"
    file.write_text(password + "\n")
    d = driver(guarded.port, user=user, password_file=str(file) if user else "", protocol=protocol)
    with pytest.raises(LinkError, match=r"refuses .*; look at user and password_file") as e:
        d.open()
    assert not password or password not in str(e.value)
    d.close()


def test_the_password_comes_from_a_file_or_a_credential(guarded, tmp_path, monkeypatch):
    (tmp_path / "mqtt-password").write_text("right\n")
    d = driver(guarded.port, user="board", password_file=str(tmp_path / "mqtt-password"))
    d.open()
    d.close()
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    d = driver(guarded.port, user="board", password_file="mqtt-password")
    d.open()
    d.close()
    d = driver(guarded.port, user="board", password_file=str(tmp_path / "absent"))
    with pytest.raises(LinkError, match="password can't be read from"):
        d.open()


class ScriptedBroker:
    """Answers the first packets of one client with the given bytes, as OASIS MQTT 5.0 lays them out."""

    def __init__(self, *answers: bytes) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._run, args=(answers,), daemon=True)
        self._thread.start()

    def _run(self, answers) -> None:
        with self._listener, self._listener.accept()[0] as peer:
            for answer in answers:
                packet = peer.recv(1024)
                # A SUBACK carries the identifier of its SUBSCRIBE, which stands right after the fixed header.
                peer.sendall(answer.replace(b"ID", packet[2:4]))
            while peer.recv(1024):
                pass

    def close(self) -> None:
        self._thread.join(5)


CONNACK = bytes([0x20, 3, 0, 0, 0])  # section 3.2
GRANTED = bytes([0x90, 4]) + b"ID" + bytes([0, 0])  # section 3.9
REFUSED = bytes([0x90, 4]) + b"ID" + bytes([0, 0x87])  # 0x87: not authorized
TAKEN_OVER = bytes([0xE0, 2, 0x8E, 0])  # section 3.14, 0x8E: session taken over


def test_a_broker_that_says_that_the_session_was_taken_over_is_quoted():
    b = ScriptedBroker(CONNACK, GRANTED + TAKEN_OVER)
    d = driver(b.port)
    with pytest.raises(LinkError, match="second copy of this program"):
        d.open()
        d.poll(1.0)
    d.close()
    b.close()


def test_a_refused_subscription_is_named():
    b = ScriptedBroker(CONNACK, REFUSED)
    d = driver(b.port, "forbidden/t")
    with pytest.raises(LinkError, match="refuses the subscription to forbidden/t"):
        d.open()
    d.close()
    b.close()


@pytest.mark.slow
def test_a_frozen_broker_is_noticed(rig):
    d = driver(rig.broker.port, keepalive_s=2)
    d.open()
    rig.broker.signal(signal.SIGSTOP)
    try:
        start_s = time.monotonic()
        with pytest.raises(LinkError):
            while time.monotonic() < start_s + 12:
                d.poll(0.2)
        assert time.monotonic() - start_s < 6
        d.close()
        start_s = time.monotonic()
        with pytest.raises(LinkError):  # the kernel still accepts the connection; nobody answers
            d.open()
        assert time.monotonic() - start_s < 10
    finally:
        rig.broker.signal(signal.SIGCONT)
        d.close()
    d.open()
    publish(rig.broker.port, "t", b"1.0")
    assert words(polled(d)) == [1.0]
    d.close()


def test_opening_a_frozen_broker_can_be_broken_off(rig):
    rig.broker.signal(signal.SIGSTOP)
    try:
        d = driver(rig.broker.port)
        thread = threading.Thread(target=d.open)
        thread.start()
        time.sleep(0.3)
        d.close()
        thread.join(2)
        assert not thread.is_alive()
    finally:
        rig.broker.signal(signal.SIGCONT)


def test_a_burst_arrives_whole_and_in_order(rig):
    d = driver(rig.broker.port, qos=0)
    d.open()
    thread = threading.Thread(target=publish, args=(rig.broker.port, "t", b"1.0"), kwargs={"times": 500})
    thread.start()
    seen = polled(d, lambda s: len(s) >= 500, 20)
    thread.join()
    assert len(seen) == 500
    assert max(len(d.poll(0.0)) for _ in range(3)) == 0
    d.close()


@pytest.mark.slow
def test_a_quiet_connection_is_kept_alive(rig):
    d = driver(rig.broker.port, keepalive_s=2)
    d.open()
    for _ in range(14):
        assert list(d.poll(0.5)) == []  # 7 s: the broker drops a client after 1.5 times its keepalive
    publish(rig.broker.port, "t", b"1.0")
    assert words(polled(d)) == [1.0]
    d.close()


def test_encrypted_and_only_to_who_proves_itself(tmp_path):
    authority = Authority(tmp_path)
    certificate = certificate_of(authority, tmp_path)
    (tmp_path / "other").mkdir()
    stranger = Authority(tmp_path / "other")
    lines = f"allow_anonymous true\ncertfile {certificate}\nkeyfile {certificate}\ncafile {authority.file}\n"
    b = TlsBroker(tmp_path / "tls", lines=lines, keeps=False)
    try:
        d = driver(b.port, tls=True, ca_file=str(authority.file))
        d.open()
        d.close()
        for ca_file in (str(stranger.file), ""):
            with pytest.raises(LinkError, match="does not prove who it is"):
                driver(b.port, tls=True, ca_file=ca_file).open()
        with pytest.raises(LinkError):
            driver(b.port).open()  # plain text to an encrypted port
        with pytest.raises(LinkError, match="can't be used"):
            driver(b.port, tls=True, ca_file=str(tmp_path / "absent.pem")).open()
    finally:
        b.stop()


class TlsBroker(Broker):
    """The certificate's lines belong to the listener, so they have to come after it."""

    def start(self) -> None:
        text = self._file.read_text().splitlines()
        own = [x for x in text if x.startswith(("certfile", "keyfile", "cafile"))]
        self._file.write_text("\n".join([x for x in text if x not in own] + own) + "\n")
        super().start()


def certificate_of(authority: Authority, folder) -> str:
    """A server certificate and its key in one file."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    root = x509.load_pem_x509_certificate(authority.file.read_bytes())
    certificate = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(x509.oid.NameOID.COMMON_NAME, "broker")]))
        .issuer_name(root.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(root.not_valid_before_utc)
        .not_valid_after(root.not_valid_after_utc)
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(__import__("ipaddress").ip_address("127.0.0.1"))]),
            critical=False,
        )
        .sign(authority._key, hashes.SHA256())
    )
    file = folder / "server.pem"
    plain = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    file.write_bytes(plain + certificate.public_bytes(serialization.Encoding.PEM))
    return str(file)


# -- confirming at QoS 1 -------------------------------------------------------------------------------------


def test_what_is_not_confirmed_comes_again_and_what_is_kept_does_not(tmp_path) -> None:
    """Three lives of one driver over a real broker: taken and lost, taken and kept but not confirmed, and the rest."""
    broker = Broker(tmp_path)
    try:
        channel = Channel("p", Options(topic="a/b", host="127.0.0.1", port=broker.port, qos=1), "temperature")

        def driver(kept: bytes = b"") -> MqttDriver:
            made = MqttDriver([channel], time.monotonic)
            made.recall(kept)
            made.open()
            return made

        def heard(made: MqttDriver, count: int) -> list:
            out: list = []
            end = time.monotonic() + 15
            while len(out) < count and time.monotonic() < end:
                out += made.poll(0.5)
            return out

        def drop(made: MqttDriver) -> None:
            """As a kill does: the connection ends, and nothing is said."""
            made._client.socket().close()

        first = driver()
        publish(broker.port, "a/b", b"21.5")
        assert [(s.value, s.late) for s in heard(first, 1)] == [(21.5, False)]
        drop(first)
        second = driver()
        assert [(s.value, s.late) for s in heard(second, 1)] == [(21.5, True)]
        kept = second.identities(second.upto)
        drop(second)
        third = driver(kept)
        publish(broker.port, "a/b", b"22.0")
        assert [s.value for s in heard(third, 1)] == [22.0]
        third.confirm(third.upto)
        third.poll(0.5)
        third.close()
        last = driver()
        assert last.poll(1.0) == []
        last.close()
    finally:
        broker.stop()
