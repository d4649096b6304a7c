"""Mail against a real SMTP server with TLS and AUTH."""

import email
import email.policy
import time

import pytest

from rushlight.outlets.email import MailOutlet
from rushlight.outlets.result import Done, Later, Never, Parcel
from rushlight.settings import Email
from rushlight.summary.parcel import Letter, pack, unpack

USER, PASSWORD = "keeper@example.org", "corr:ect horse"
PARCEL = Parcel(key="k1", priority="high", title="Foyer: water too warm – 28 °C", body="It is 28 °C.", link="http://x/")
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))


@pytest.fixture(params=["starttls", "tls"])
def security(request):
    return request.param


def outlet(box, authority, security="starttls", password=PASSWORD, **more):
    options = {"host": "localhost", "port": box.port, "security": security, "user": USER, "to": ("a@example.org",)}
    return MailOutlet(
        Email(**(options | {"ca_file": str(authority.file), "deadline_s": 5.0} | more)), password, time.time
    )


def parsed(box):
    return [email.message_from_bytes(m, policy=email.policy.default) for m in box.mails]


@pytest.mark.filterwarnings("ignore:Requiring AUTH")  # the server does not count TLS from the start as TLS
def test_a_plain_message(postbox, authority, security):
    box = postbox(authority.context(), security, USER, PASSWORD)
    assert outlet(box, authority, security).send(PARCEL) == Done("250")
    (mail,) = parsed(box)
    assert mail["Subject"] == PARCEL.title
    assert mail["Importance"] == "high"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content().splitlines() == ["It is 28 °C.", "", "http://x/"]
    assert box.envelopes == [(USER, ["a@example.org"])]


def test_the_same_message_has_the_same_message_id(postbox, authority):
    box = postbox(authority.context(), "starttls", USER, PASSWORD)
    for _ in range(2):
        outlet(box, authority).send(PARCEL)
    one, two = parsed(box)
    assert one["Message-ID"] == two["Message-ID"]


def test_a_letter_has_text_html_and_an_inline_picture(postbox, authority):
    box = postbox(authority.context(), "starttls", USER, PASSWORD)
    letter = Letter("s", "plain – text", '<img src="cid:nitrate" alt="n">', {"nitrate": PNG})
    assert unpack(pack(letter)) == letter
    outlet(box, authority).send(Parcel(key="weekly:2025-W10@a", priority="low", title="s", body=pack(letter)))
    (mail,) = parsed(box)
    text, related = mail.iter_parts()
    html, picture = related.iter_parts()
    assert mail.get_content_type() == "multipart/alternative"
    assert text.get_content().strip() == letter.text
    assert html.get_content().strip() == letter.html
    assert picture["Content-ID"] == "<nitrate>"
    assert picture.get_content() == PNG


def test_a_wrong_password_is_never(postbox, authority):
    box = postbox(authority.context(), "starttls", USER, PASSWORD)
    result = outlet(box, authority, password="wrong").send(PARCEL)
    assert result == Never("localhost refuses user name or password (535)")


def test_a_check_logs_in_and_sends_nothing(postbox, authority):
    box = postbox(authority.context(days=3), "starttls", USER, PASSWORD)
    channel = outlet(box, authority)
    assert channel.check() == Done("logged in")
    assert box.mails == []
    assert channel.certificate_until_s - time.time() == pytest.approx(3 * 86400, abs=60)
    assert isinstance(outlet(box, authority, password="wrong").check(), Never)


@pytest.mark.parametrize(
    ("moment", "reply", "kind"),
    [
        ("RCPT", "550 no such user", Never),
        ("RCPT", "451 greylisted", Later),
        ("DATA", "452 full", Later),
        ("DATA", "554 no", Never),
    ],
)
def test_refusals_for_good_and_for_now(postbox, authority, moment, reply, kind):
    box = postbox(authority.context(), "starttls", USER, PASSWORD)
    box.refuse[moment] = reply
    assert isinstance(outlet(box, authority).send(PARCEL), kind)


def test_a_server_without_starttls_gets_no_password(postbox, authority):
    box = postbox(None, "none")
    assert isinstance(outlet(box, authority).send(PARCEL), Never)
    assert box.logins == 0


def test_no_password_in_the_clear_to_another_machine(authority):
    settings = Email(host="mail.example.org", security="none", user=USER, to=("a@example.org",))
    channel = MailOutlet(settings, PASSWORD, time.time)
    assert isinstance(channel._log_in(None), Never)


@pytest.mark.parametrize(
    ("fault", "words"),
    [({"days": -1}, "expired"), ({"name": "other.example"}, "another name"), ({"start_days": 5}, "not valid yet")],
)
def test_a_bad_certificate(postbox, authority, security, fault, words):
    # aiosmtpd's own thread reports the broken handshake on its own terms; only our side is of interest.
    box = postbox(authority.context(**fault), "starttls", USER, PASSWORD)
    result = outlet(box, authority).send(PARCEL)
    assert isinstance(result, Later)
    assert words in result.why
    assert box.mails == []


@pytest.mark.slow
@pytest.mark.parametrize("drip", [b"", b"220 ", b"220-x\r\n"])
@pytest.mark.parametrize("kind", ["starttls", "tls"])
def test_a_server_that_is_silent_or_drips(silent, authority, drip, kind):
    start = time.monotonic()
    result = outlet(silent(drip), authority, kind, deadline_s=0.6).send(PARCEL)
    assert isinstance(result, Later)
    assert time.monotonic() - start < 2.5


def test_nobody_there(silent, authority):
    server = silent()
    server.close()
    assert isinstance(outlet(server, authority).send(PARCEL), Later)


@pytest.mark.parametrize("bad", ["a@b\nBcc: c@d", "\ud800@x"])
def test_an_address_can_not_add_headers(postbox, authority, bad):
    box = postbox(authority.context(), "starttls", USER, PASSWORD)
    assert isinstance(outlet(box, authority, to=(bad,)).send(PARCEL), Never)
    assert box.mails == []


def test_a_title_can_not_add_headers(postbox, authority):
    box = postbox(authority.context(), "starttls", USER, PASSWORD)
    outlet(box, authority).send(Parcel(key="k", priority="low", title="a\r\nBcc: c@d", body=""))
    (mail,) = parsed(box)
    assert mail["Bcc"] is None


def test_without_addresses_it_is_never(authority, silent):
    assert isinstance(outlet(silent(), authority, to=()).send(PARCEL), Never)
