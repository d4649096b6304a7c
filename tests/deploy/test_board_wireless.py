"""The wireless board: the firmware's own programme under MicroPython against the broker as broker.sh sets it up.

The radio is simulated and says so; sockets, TLS, certificates, passwords and the broker are real.
"""

from __future__ import annotations

import ast
import re
import shutil
import signal
import socket
import ssl
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from helpers import debian, wireless
from helpers.waiting import until
from helpers.wireless import Broker, Listener, WirelessBoard
from rushlight_drivers import Channel, mqtt

pytestmark = [pytest.mark.broker, pytest.mark.skipif(not shutil.which("mosquitto"), reason="needs mosquitto")]

PAGE = wireless.ROOT / "deploy/hardware.md"


@pytest.fixture(scope="module")
def micropython() -> list[str]:
    try:
        return debian.micropython()
    except debian.UnobtainableError as e:
        pytest.skip(f"MicroPython can't be had here: {e}")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    tmp_path.chmod(0o755)
    made = Broker(tmp_path / "broker")
    yield made
    made.stop()


Switch = Callable[..., WirelessBoard]


@pytest.fixture
def switch_on(micropython: list[str], broker: Broker, tmp_path: Path) -> Iterator[Switch]:
    with ExitStack() as stack:

        def on(**options: Any) -> WirelessBoard:
            given = {"port": broker.tls, "ca": broker.authority / "ca.der"} | options
            board = WirelessBoard(micropython, tmp_path / "board", **given)
            stack.callback(board.close)
            return board

        yield on


@pytest.fixture
def listen(broker: Broker) -> Iterator[Callable[..., Listener]]:
    with ExitStack() as stack:

        def start(**options: Any) -> Listener:
            listener = Listener(broker.plain, **options)
            stack.callback(listener.close)
            return listener

        yield start


def flashes_for(kind: str) -> int:
    """How often the lamp flashes for that trouble, by the table of the hardware page."""
    [count] = re.findall(rf"^\| (\d) \| .*{kind}", PAGE.read_text(), re.MULTILINE)
    return int(count)


def test_its_packs_reach_the_daemons_driver(broker: Broker, switch_on: Switch, listen: Callable[..., Listener]) -> None:
    broker.start()
    listener, board = listen(), switch_on()
    listener.hears(3)
    channel = Channel("ph", mqtt.Options(topic="boards/foyer-board", format="senml", record="foyer-board/ph"), "ph")
    [sample] = mqtt.PayloadCodec([channel]).samples("boards/foyer-board", listener.packs[-1], 0.0)
    assert (sample.value, sample.unit) == (pytest.approx(-0.0592, abs=1e-4), "V")
    assert board.said == ["# sending to 127.0.0.1"]
    assert board.flashes() == 0


@pytest.mark.slow
def test_a_broker_that_comes_later_and_one_that_is_restarted(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    board = switch_on()
    board.says("nobody answers at 127.0.0.1")
    until(lambda: board.flashes() == flashes_for("nobody answers"), what="the lamp tells")
    broker.start()
    listener = listen()
    listener.hears(2)
    broker.stop()
    board.says("the broker ended the connection|the connection broke")
    broker.start()
    listener.hears(2)
    until(lambda: board.flashes() == 0, what="the lamp is dark")


@pytest.mark.slow
def test_a_broker_that_hangs_is_waited_for_but_not_for_ever(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    """Stopped in the middle of its work, and again while the board is in the handshake."""
    broker.start()
    # The watchdog's eight seconds are shortened, so that a wait which does not feed it ends the programme.
    listener, board = listen(), switch_on(scene="board.WATCHDOG_MS = 900")
    listener.hears(2)
    broker.signal(signal.SIGSTOP)
    board.says("the broker does not answer", 10)
    until(lambda: sum("does not answer" in s or "takes nothing" in s for s in board.said) >= 1, what="and tries again")
    until(lambda: board.flashes() == flashes_for("broken off"), what="the lamp tells")
    broker.signal(signal.SIGCONT)
    listener.hears(2)


def test_a_wrong_password_is_told_and_a_mended_one_taken(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    broker.start()
    board = switch_on(password="new")
    board.says("refuses user or password")
    until(lambda: board.flashes() == flashes_for("refuses"), what="the lamp tells")
    broker.passwords["board"] = "new"
    broker.write_passwords()
    broker.restart()
    listen().hears(2)


@pytest.mark.slow
def test_an_authority_of_another_pi_is_told_and_the_restored_one_taken(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener], tmp_path: Path
) -> None:
    """A new card without the copy of the configuration; then with it."""
    copy = tmp_path / "copy"
    shutil.copytree(broker.authority, copy)
    for file in broker.authority.iterdir():
        file.unlink()
    broker.certify()
    broker.start()
    board = switch_on(ca=copy / "ca.der")
    board.says("not trusted: The certificate is not correctly signed by the trusted CA")
    until(lambda: board.flashes() == flashes_for("not trusted"), what="the lamp tells")
    for file in copy.iterdir():
        shutil.copy(file, broker.authority)
    broker.certify()
    broker.restart()
    listen().hears(2)


def openssl(*arguments: str | Path) -> str:
    return subprocess.run(["openssl", *arguments], capture_output=True, text=True, check=True).stdout


def test_an_expired_certificate_is_told_and_renewed_by_itself(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    key, request = broker.folder / "broker.key", broker.folder / "request"
    openssl("req", "-new", "-key", key, "-subj", "/CN=rushlight-broker", "-out", request)
    openssl(
        "x509", "-req", "-in", request, "-CA", broker.authority / "ca.crt", "-CAkey", broker.authority / "ca.key",
        "-days", "-1", "-out", broker.folder / "broker.crt",
    )  # fmt: skip
    broker.start()
    board = switch_on()
    board.says("not trusted: The certificate validity has expired")
    broker.certify()
    broker.restart()
    listen().hears(2)


# Where boards without network time begin to count, see below.
@pytest.mark.parametrize("moment", ["2000-01-01 00:00:01", "2021-01-01 00:00:01"])
def test_a_board_with_the_wrong_time_trusts_the_broker_all_the_same(
    moment: str, micropython: list[str], broker: Broker, listen: Callable[..., Listener], tmp_path: Path
) -> None:
    try:
        command = debian.at_the_time(micropython, moment)
    except debian.UnobtainableError as e:
        pytest.skip(f"the clock can't be moved here: {e}")
    year = subprocess.run(
        [*command, "-c", "import time; print(time.gmtime()[0])"], capture_output=True, text=True, check=True
    )
    assert year.stdout.strip() == moment[:4], "the board believes it"
    broker.start()
    listener = listen()
    board = WirelessBoard(command, tmp_path / "board", port=broker.tls, ca=broker.authority / "ca.der")
    try:
        listener.hears(3)
        assert board.said == ["# sending to 127.0.0.1"]
    finally:
        board.close()


def test_a_board_that_was_unplugged_is_back_by_itself(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    """Pulled out without a word and plugged in again while the broker still holds its old connection."""
    broker.start()
    listener, board = listen(), switch_on()
    listener.hears(2)
    board.close()
    again = switch_on()
    listener.hears(2)
    assert again.said == ["# sending to 127.0.0.1"]


def test_the_longest_wait_of_a_board_leaves_time_within_two_minutes() -> None:
    """The constants of the firmware; with two hosts, of which the second answers.  Measured: bench/board_return.py."""
    tree = ast.parse((wireless.BOARD / "wireless.py").read_text())
    found = {}
    for node in tree.body:
        if isinstance(node, ast.Assign):
            names = [t.id for t in node.targets if isinstance(t, ast.Name)]
            found |= {n: ast.literal_eval(node.value) for n in names if n in {"PAUSES_MS", "CONNECT_MS"}}
    every_s = next(
        ast.literal_eval(n.value)
        for n in ast.parse((wireless.BOARD / "settings.py").read_text()).body
        if isinstance(n, ast.Assign) and getattr(n.targets[0], "id", "") == "EVERY_S"
    )
    assert max(found["PAUSES_MS"]) / 1000 + 2 * found["CONNECT_MS"] / 1000 + 2 * every_s <= 120


def _answers(address: str, port: int) -> bool:
    try:
        socket.create_connection((address, port), 1).close()
    except OSError:
        return False
    return True


def test_the_broker_answers_over_version_six_by_the_same_certificate(tmp_path: Path) -> None:
    """As broker.sh writes it, without an address on the listener for the network."""
    with socket.socket(socket.AF_INET6) as s:
        try:
            s.bind(("::1", 0))
        except OSError:
            pytest.skip("this machine has no ::1")
    tmp_path.chmod(0o755)
    broker = Broker(tmp_path / "broker")
    conf = broker.folder / "rushlight.conf"
    conf.write_text(conf.read_text().replace(f"listener {broker.tls} 127.0.0.1", f"listener {broker.tls}"))
    broker.start()
    try:
        context = ssl.create_default_context(cafile=broker.authority / "ca.crt")
        for address in ("::1", "127.0.0.1"):
            until(lambda a=address: _answers(a, broker.tls), what="its listener")
            plain = socket.create_connection((address, broker.tls), 10)
            with context.wrap_socket(plain, server_hostname="rushlight-broker") as secured:
                assert secured.version() == "TLSv1.3", address
    finally:
        broker.stop()


def test_a_renamed_pi_is_found_by_its_address(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    broker.start()
    board = switch_on(hosts=("was-called-so.invalid", "127.0.0.1"))
    listen().hears(2)
    assert board.said == ["# sending to 127.0.0.1"]


@pytest.mark.slow
def test_a_full_queue_at_the_broker_stops_no_board(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    """The daemon is away; the broker keeps what it has room for, and takes the rest without complaint."""
    broker.setting("max_queued_messages 5")
    broker.start()
    daemon = Listener(broker.plain, name="daemon", keep=True)
    board = switch_on(scene="settings.EVERY_S = 0.02")
    daemon.hears(1)
    daemon.close()
    watching = listen()
    watching.hears(40)
    back = listen(name="daemon", keep=True)
    back.hears(20)
    assert board.said == ["# sending to 127.0.0.1"]
    assert max(back.numbers()) > 40, "what is fresh comes through"


def test_wifi_that_is_not_there_refuses_or_comes_back(
    broker: Broker, switch_on: Switch, listen: Callable[..., Listener]
) -> None:
    broker.start()
    board, listener = switch_on(), listen()
    listener.hears(1)
    board.radio.write_text("nothing there")
    board.says("no Wi-Fi network house")
    until(lambda: board.flashes() == flashes_for("no Wi-Fi"), what="the lamp tells")
    board.radio.write_text("wrong password")
    board.says("house refuses its password")
    until(lambda: board.flashes() == flashes_for("Wi-Fi password"), what="the lamp tells")
    board.radio.write_text("joined")
    listener.hears(2)


def test_a_radio_that_is_stuck_gets_a_restart_of_the_board(switch_on: Switch) -> None:
    board = switch_on(scene='open(machine.SCENE["radio"], "w").write("nothing there"); wireless.WIFI_RESET_MS = 500')
    until(lambda: board.status() == 3, what="the board restarts itself")


def test_a_board_without_the_authoritys_file_says_so(broker: Broker, switch_on: Switch, tmp_path: Path) -> None:
    broker.start()
    board = switch_on(ca=tmp_path / "nowhere")
    board.says("there is no file .*ca.der on this board")
    until(lambda: board.flashes() == flashes_for("is missing on the board"), what="the lamp tells")


# ---------------------------------------------------------------------- the certificate


def names_in(certificate: Path) -> set[str]:
    found = openssl("x509", "-in", certificate, "-noout", "-ext", "subjectAltName")
    return {n.strip() for n in found.splitlines()[-1].split(",")}


def certify(tmp_path: Path, *, host: str = "reading-pi", addresses: str = "192.0.2.7", check: bool = False) -> str:
    """Run certificate.sh on a machine of that name and those addresses; what it said, `due` when it would act."""
    tools = tmp_path / "tools"
    tools.mkdir(exist_ok=True)
    (tools / "hostname").write_text(f'#!/bin/sh\n[ "$1" = -I ] && echo "{addresses}" || echo "{host}"\n')
    (tools / "hostname").chmod(0o755)
    for made in ("authority", "broker"):
        (tmp_path / made).mkdir(exist_ok=True)
    option = ["--check"] if check else []
    done = subprocess.run(
        ["bash", wireless.CERTIFICATE, *option, "--group", "root", tmp_path / "authority", tmp_path / "broker"],
        env={"PATH": f"{tools}:/usr/bin:/bin"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stderr == ""
    assert check or done.returncode == 0
    return "due" if check and done.returncode else done.stdout


@pytest.mark.slow
def test_the_certificate_follows_the_names_and_addresses_in_use(tmp_path: Path) -> None:
    assert "new certificate authority" in certify(tmp_path)
    first = (tmp_path / "authority/ca.crt").read_bytes()
    assert names_in(tmp_path / "broker/broker.crt") >= {
        "DNS:rushlight-broker", "DNS:reading-pi", "DNS:reading-pi.local", "DNS:localhost",
        "IP Address:127.0.0.1", "IP Address:192.0.2.7",
    }  # fmt: skip
    assert certify(tmp_path) == certify(tmp_path, check=True) == "", "nothing to do"
    for change in ({"host": "foyer-pi"}, {"addresses": "192.0.2.8 2001:db8::1"}):
        assert certify(tmp_path, check=True, **change) == "due"
        assert "does not hold" in certify(tmp_path, **change)
        assert certify(tmp_path, check=True, **change) == ""
    assert (tmp_path / "authority/ca.crt").read_bytes() == first, "boards know this one"


# A Raspberry Pi Pico without network time starts on 2021-01-01, an ESP32 on 2000-01-01 (MicroPython's documentation
# of `time` and `RTC`; from memory); 2035 is a Pi whose certificate was made long ago.
@pytest.mark.parametrize("moment", ["2000-01-01T00:00:01", "2021-01-01T00:00:01", "2035-01-01T00:00:00"])
def test_the_certificate_is_valid_for_a_board_without_a_clock(tmp_path: Path, moment: str) -> None:
    """`openssl verify` at that moment, with the strict checks of RFC 5280 that newer clients make."""
    certify(tmp_path)
    seconds = subprocess.run(["date", "-u", "-d", moment, "+%s"], capture_output=True, text=True, check=True).stdout
    openssl(
        "verify", "-x509_strict", "-attime", seconds.strip(), "-purpose", "sslserver", "-verify_hostname",
        "rushlight-broker", "-CAfile", tmp_path / "authority/ca.crt", tmp_path / "broker/broker.crt",
    )  # fmt: skip
