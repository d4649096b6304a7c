"""One HTTP request with a total deadline, and its answer as done, later or never.

Owns what each status means and what a person is told of it.  Never follows a redirect (a credential would go
along), never switches certificate checks off, never quotes an address, a header or a server's text in a reason.
"""

from __future__ import annotations

import email.utils
import json
import logging
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import HTTPError

from rushlight.outlets.net import verified_tls
from rushlight.outlets.net.deadline import Deadline
from rushlight.outlets.result import Done, Later, Never, Result
from rushlight.settings import Push, Webhook

logging.getLogger("urllib3").setLevel(logging.CRITICAL)
"""The library's own log lines quote whole addresses, and an address can be a secret."""

CONNECT_S = 10.0
TOO_MANY_WAIT_S = 900.0
"""Wait after 'too many requests' without a Retry-After."""
LONGEST_WAIT_S = 6 * 3600.0
"""No receiver may put a message off for longer than this."""
_RECEIPT_BYTES = 4096


@dataclass(slots=True)
class Answer:
    """What came of a request; `certificate_until_s` is None without TLS or before the handshake was through."""

    result: Result
    certificate_until_s: float | None = None


def request(
    method: str,
    url: str,
    *,
    body: bytes = b"",
    headers: Mapping[str, str] | None = None,
    deadline_s: float,
    wall_s: Callable[[], float],
    ca_file: str = "",
) -> Answer:
    """Make one request; never raises for anything the network or the receiver can do."""
    host = _host(url)
    if not host:
        return Answer(Never("the address is not one of http:// or https://"))
    answer = Answer(Later(f"no answer from {host}"))
    with Deadline(deadline_s) as deadline, requests.Session() as session:
        session.trust_env = False  # a .netrc would put other credentials in place of ours
        adapter = _FusedAdapter(deadline, answer, ca_file)
        session.mount("http://", adapter)
        session.mount("https://", adapter)
        try:
            with session.request(
                method,
                url,
                data=body,
                headers=dict(headers or {}),
                timeout=(min(CONNECT_S, deadline_s), deadline_s),
                allow_redirects=False,
                stream=True,
                verify=ca_file or True,
            ) as response:
                # A head cut short by the deadline looks whole to the library; only a whole one counts.
                if not deadline.blown:
                    answer.result = _judge(host, response, wall_s())
                else:
                    answer.result = Later(f"{host} did not finish within {deadline_s:.0f} s")
        except requests.exceptions.SSLError as e:
            answer.result = Later(certificate_reason(host, e))
        except (requests.exceptions.InvalidURL, requests.exceptions.MissingSchema, UnicodeError):
            answer.result = Never("the address is not a valid URL")
        except (requests.exceptions.RequestException, HTTPError, OSError) as e:
            answer.result = Later(_network_reason(host, e, deadline))
    return answer


def _judge(host: str, response: requests.Response, now_s: float) -> Result:
    status = response.status_code
    if 200 <= status < 300:
        return Done(_receipt(response))
    if status == 429:
        wait_s = retry_after_s(response.headers.get("Retry-After"), now_s)
        return Later(f"{host} asks for fewer messages (429)", TOO_MANY_WAIT_S if wait_s is None else wait_s)
    if status in (408, 425) or status >= 500:
        return Later(f"{host} is in trouble ({status})", retry_after_s(response.headers.get("Retry-After"), now_s))
    if status in (401, 403):
        return Never(f"{host} refuses the credentials ({status})")
    if 300 <= status < 400:
        return Never(f"{host} has moved ({status}); set its new address")
    return Never(f"{host} does not take the message ({status})")


def _receipt(response: requests.Response) -> str:
    """The receiver's id of the message, if it says one soon; a dripping body is not worth the wait."""
    length = response.headers.get("Content-Length", "")
    if not (length.isdigit() and int(length) <= _RECEIPT_BYTES) or "json" not in response.headers.get(
        "Content-Type", ""
    ):
        return str(response.status_code)
    try:
        found: Any = json.loads(response.raw.read(_RECEIPT_BYTES, decode_content=True))
    except (ValueError, HTTPError, OSError):
        return str(response.status_code)
    return str(found["id"])[:80] if isinstance(found, dict) and "id" in found else str(response.status_code)


def post_json(
    url: str,
    document: str,
    key: str,
    *,
    headers: Mapping[str, str],
    settings: Push | Webhook,
    wall_s: Callable[[], float],
) -> Answer:
    """Post one document within the channel's deadline; its identity goes along as Idempotency-Key."""
    return request(
        "POST",
        url,
        body=document.encode(),
        headers={"Content-Type": "application/json", **headers, "Idempotency-Key": json.dumps(key)},
        deadline_s=settings.deadline_s,
        wall_s=wall_s,
        ca_file=settings.ca_file,
    )


def retry_after_s(text: str | None, now_s: float) -> float | None:
    """Seconds to wait by a Retry-After header (RFC 9110, 10.2.3), at most `LONGEST_WAIT_S`; None if it says nothing."""
    if not text:
        return None
    text = text.strip()
    if text.isdigit():
        wait_s = float(text)
    else:
        try:
            wait_s = email.utils.parsedate_to_datetime(text).timestamp() - now_s
        except ValueError:
            return None
    return min(max(wait_s, 1.0), LONGEST_WAIT_S)


def certificate_reason(host: str, error: BaseException) -> str:
    """What is wrong with the other end's certificate, in words that quote nothing of it."""
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, ssl.SSLCertVerificationError):
        inner = next((a for a in cause.args if isinstance(a, BaseException)), None) or getattr(cause, "reason", None)
        cause = inner if isinstance(inner, BaseException) else cause.__cause__ or cause.__context__
    if cause is None:
        return f"no secure connection with {host}"
    reasons = {
        10: f"the certificate of {host} has expired",
        9: f"the certificate of {host} is not valid yet; is the clock right?",
        18: f"the certificate of {host} is self-signed; give its authority as ca_file",
        19: f"the certificate of {host} comes from an unknown authority; give it as ca_file",
        20: f"the certificate of {host} comes from an unknown authority; give it as ca_file",
        62: f"the certificate of {host} is for another name",
        64: f"the certificate of {host} is for another name",
    }
    return reasons.get(cause.verify_code, f"the certificate of {host} can't be verified")


def certificate_until_s(sock: Any) -> float | None:
    """When the certificate at the other end of a TLS socket runs out, Unix seconds."""
    if not isinstance(sock, ssl.SSLSocket):
        return None
    until = (sock.getpeercert() or {}).get("notAfter")
    return float(ssl.cert_time_to_seconds(until)) if isinstance(until, str) else None


def _network_reason(host: str, error: BaseException, deadline: Deadline) -> str:
    if deadline.blown or isinstance(error, requests.exceptions.ReadTimeout):
        return f"{host} did not finish within {deadline.seconds:.0f} s"
    if isinstance(error, requests.exceptions.ConnectTimeout):
        return f"{host} can't be reached"
    if "NameResolution" in repr(error) or "getaddrinfo" in repr(error):
        return f"the name {host} can't be resolved; is the network up?"
    if isinstance(error, requests.exceptions.ConnectionError):
        return f"no connection with {host}"
    return f"the answer of {host} broke off"


def _host(url: str) -> str:
    """The host alone; what stands before and after it in an address may be a secret."""
    try:
        parts = urlsplit(url)
        return (parts.hostname or "") if parts.scheme in ("http", "https") else ""
    except ValueError:
        return ""


class _FusedAdapter(HTTPAdapter):
    """Puts each new connection under the deadline, before the TLS handshake, and looks at the certificate after it."""

    def __init__(self, deadline: Deadline, answer: Answer, ca_file: str) -> None:
        self._ca_file = ca_file
        super().__init__(max_retries=0)

        class Plain(HTTPConnection):
            def _new_conn(self) -> Any:
                sock = super()._new_conn()
                deadline.hold(sock)
                return sock

        class Secure(HTTPSConnection):
            def _new_conn(self) -> Any:
                sock = super()._new_conn()
                deadline.hold(sock)
                return sock

            def connect(self) -> None:
                super().connect()
                answer.certificate_until_s = certificate_until_s(self.sock)

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class SecurePool(HTTPSConnectionPool):
            ConnectionCls = Secure

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}

    def build_connection_pool_key_attributes(self, *args: Any, **kwargs: Any) -> Any:
        """The library's own, with our way of checking certificates; reading the authorities costs more than a post."""
        host, pool = super().build_connection_pool_key_attributes(*args, **kwargs)
        return host, pool | ({"ssl_context": verified_tls.context(self._ca_file)} if host["scheme"] == "https" else {})
