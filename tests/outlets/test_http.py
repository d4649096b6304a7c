"""One request against a receiver that follows a script: every status, every way to break off, every bad certificate."""

import time

import pytest

from rushlight.outlets.net import http_request
from rushlight.outlets.result import Done, Later, Never

NOW = 1_784_000_000.0


def call(url, method="POST", deadline_s=5.0, ca_file="", **more):
    return http_request.request(
        method, url, body=b"{}", deadline_s=deadline_s, wall_s=lambda: NOW, ca_file=str(ca_file), **more
    )


# RFC 9110 section 15: what each class of status means; 425 is RFC 8470, 429 RFC 6585.
@pytest.mark.parametrize(
    ("statuses", "kind"),
    [
        ([200, 201, 202, 204], Done),
        ([408, 425, 429, 500, 501, 502, 503, 504, 507, 529], Later),
        ([300, 301, 302, 303, 307, 308], Never),
        ([400, 401, 402, 403, 404, 405, 406, 409, 410, 411, 413, 414, 415, 418, 422, 431, 451], Never),
    ],
)
def test_every_status(receiver, statuses, kind):
    server = receiver(" ".join(map(str, statuses)))
    for status in statuses:
        result = call(server.url).result
        assert isinstance(result, kind), status
        if kind is not Done:
            assert str(status) in result.why
    assert len(server.requests) == len(statuses), "no request is made twice, no redirect followed"


@pytest.mark.parametrize(
    ("text", "wait_s"),
    [
        ("7", 7.0),
        ("0", 1.0),
        ("999999999", http_request.LONGEST_WAIT_S),
        ("Tue, 14 Jul 2026 03:35:20 GMT", 120.0),
        ("Tue, 14 Jul 2020 03:35:20 GMT", 1.0),
        ("soon", None),
        ("", None),
        (None, None),
        ("-5", None),
    ],
)
def test_retry_after_in_both_forms(text, wait_s):
    assert http_request.retry_after_s(text, NOW) == wait_s


def test_retry_after_is_taken_from_the_answer(receiver):
    server = receiver("429:7 503:120 429 500")
    assert [call(server.url).result.after_s for _ in range(4)] == [7.0, 120.0, http_request.TOO_MANY_WAIT_S, None]


@pytest.mark.parametrize("fault", ["hang", "drip"])
def test_a_server_that_hangs_or_drips_ends_at_the_deadline(receiver, fault):
    server = receiver(fault)
    start = time.monotonic()
    result = call(server.url, deadline_s=0.6).result
    assert isinstance(result, Later)
    assert "did not finish" in result.why
    assert time.monotonic() - start < 2.5


def test_an_accepted_message_whose_body_drips_is_done(receiver):
    start = time.monotonic()
    assert isinstance(call(receiver("dripbody").url, deadline_s=0.6).result, Done)
    assert time.monotonic() - start < 2.5


@pytest.mark.parametrize("fault", ["reset", "refuse"])
def test_a_connection_that_breaks_off_is_for_later(receiver, fault):
    assert isinstance(call(receiver(fault).url).result, Later)


def test_nobody_there(receiver):
    server = receiver()
    server.close()
    assert isinstance(call(server.url).result, Later)


def test_a_name_that_does_not_exist():
    result = call("http://nowhere.invalid/").result
    assert isinstance(result, Later)
    assert "nowhere.invalid" in result.why


@pytest.mark.parametrize("url", ["", "ftp://x/", "x", "http://", "http://[::1", "http://\udcff/"])
def test_what_is_no_address(url):
    assert isinstance(call(url).result, Never)


def test_the_receivers_own_id_is_the_receipt(receiver):
    assert call(receiver().url).result == Done("r1")


def test_a_good_certificate_and_its_end(receiver, authority):
    answer = call(receiver(tls=authority.context(days=30)).url, ca_file=authority.file)
    assert isinstance(answer.result, Done)
    assert answer.certificate_until_s - time.time() == pytest.approx(30 * 86400, abs=60)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"days": -1}, "expired"),
        ({"start_days": 5}, "not valid yet"),
        ({"name": "other.example"}, "another name"),
    ],
)
def test_a_bad_certificate_is_named_and_never_overlooked(receiver, authority, fault, words):
    server = receiver(tls=authority.context(**fault))
    result = call(server.url, ca_file=authority.file).result
    assert isinstance(result, Later)
    assert words in result.why
    assert server.requests == []


def test_an_unknown_authority(receiver, authority):
    result = call(receiver(tls=authority.context()).url).result
    assert "unknown authority" in result.why or "self-signed" in result.why


def test_a_tls_handshake_that_drips_ends_at_the_deadline(silent):
    # A TLS record header that promises 16 kB, a byte at a time: no single read ever times out.
    server = silent(bytes([22, 3, 3, 64, 0]) + bytes(16384))
    start = time.monotonic()
    result = call(f"https://127.0.0.1:{server.port}/", deadline_s=0.6).result
    assert isinstance(result, Later)
    assert time.monotonic() - start < 2.5


def test_no_redirect_carries_a_credential(receiver):
    server = receiver("redirect")
    result = call(server.url, headers={"Authorization": "Bearer x"}).result
    assert isinstance(result, Never)
    assert "moved" in result.why


def test_a_netrc_does_not_change_the_credentials(receiver, monkeypatch, tmp_path):
    (tmp_path / ".netrc").write_text("machine 127.0.0.1 login evil password evil\n")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("NETRC", str(tmp_path / ".netrc"))
    server = receiver()
    call(server.url, headers={"Authorization": "Bearer mine"})
    assert server.requests[0].headers["authorization"] == "Bearer mine"
