"""Mail over SMTP, as text alone or as a letter with HTML and pictures.

Owns the conversation with the mail server and the form of the mail.  Never sends a password over a line in the
clear (except to this machine itself), never retries: the outbox does.  The same message always carries the same
Message-ID, so what was sent twice in doubt is recognisably one mail.
"""

from __future__ import annotations

import contextlib
import email.policy
import email.utils
import hashlib
import smtplib
import socket
import ssl
from collections.abc import Callable, Sequence
from email.message import EmailMessage
from typing import Any

from rushlight.outlets.net import verified_tls
from rushlight.outlets.net.deadline import Deadline
from rushlight.outlets.net.http_request import CONNECT_S, certificate_reason, certificate_until_s
from rushlight.outlets.result import Done, Later, Never, Parcel, Result, Secret
from rushlight.settings import Email
from rushlight.summary.parcel import Letter, unpack

_PORTS = {"starttls": 587, "tls": 465, "none": 25}
_LOOPBACK = ("127.0.0.1", "::1", "localhost")


class MailOutlet:
    """`password` is the secret itself, already read from its file."""

    def __init__(self, settings: Email, password: str, wall_s: Callable[[], float]) -> None:
        self._settings, self._password, self._wall_s = settings, password, wall_s
        self._sender = settings.sender or settings.user
        self.certificate_until_s: float | None = None

    def send(self, parcel: Parcel) -> Result:
        """Send one mail to `parcel.to`, or to everybody in the configuration."""
        to = [parcel.to] if parcel.to else list(self._settings.to)
        if not to or not self._sender:
            return Never("no mail address is set for " + ("the recipient" if self._sender else "the sender"))
        try:
            mail = compose(parcel, self._sender, to, self._wall_s())
        except ValueError:
            return Never("a mail address is not a valid one")
        return self._talk(lambda smtp: self._hand_over(smtp, mail, to))

    def check(self) -> Result | None:
        """Log in and leave again."""
        return self._talk(lambda _: Done("logged in"))

    def _talk(self, act: Callable[[smtplib.SMTP], Result]) -> Result:
        host = self._settings.host
        with Deadline(self._settings.deadline_s) as deadline:
            smtp: smtplib.SMTP | None = None
            try:
                smtp = self._connect(deadline)
                return self._log_in(smtp) or act(smtp)
            except ssl.SSLError as e:
                return Later(certificate_reason(host, e))
            except smtplib.SMTPNotSupportedError:
                return Never(f"{host} does not offer what security = {self._settings.security!r} or the log-in needs")
            except smtplib.SMTPResponseException as e:
                return _by_code(host, e.smtp_code)
            except (smtplib.SMTPException, OSError, UnicodeError) as e:
                return Later(_network_reason(host, e, deadline))
            finally:
                if smtp is not None:
                    _leave(smtp, deadline)

    def _connect(self, deadline: Deadline) -> smtplib.SMTP:
        s = self._settings
        port = s.port or _PORTS[s.security]
        timeout_s = min(CONNECT_S, s.deadline_s)
        if s.security == "none":
            return _Fused(deadline, None, s.host, port, timeout_s)
        context = verified_tls.context(s.ca_file)
        if s.security == "tls":
            smtp = _Fused(deadline, context, s.host, port, timeout_s)
        else:
            smtp = _Fused(deadline, None, s.host, port, timeout_s)
            try:
                smtp.starttls(context=context)
            except BaseException:
                smtp.close()
                raise
        self.certificate_until_s = certificate_until_s(smtp.sock)
        return smtp

    def _log_in(self, smtp: smtplib.SMTP) -> Result | None:
        """None if we are in, or need not be."""
        s = self._settings
        if not s.user:
            return None
        if s.security == "none" and s.host not in _LOOPBACK:
            return Never(f"no password is sent to {s.host} in the clear; set security to starttls or tls")
        try:
            smtp.login(s.user, self._password)
        except smtplib.SMTPAuthenticationError as e:
            if 400 <= e.smtp_code < 500:
                return Later(f"{s.host} can't check the password now ({e.smtp_code})")
            return Never(f"{s.host} refuses user name or password ({e.smtp_code})")
        return None

    def _hand_over(self, smtp: smtplib.SMTP, mail: EmailMessage, to: Sequence[str]) -> Result:
        host = self._settings.host
        try:
            refused = smtp.send_message(mail, self._sender, list(to))
        except smtplib.SMTPRecipientsRefused as e:
            codes = [code for code, _ in e.recipients.values()]
            if any(400 <= c < 500 for c in codes):
                return Later(f"{host} does not take the recipient now ({min(codes)})")
            return Never(f"{host} refuses the recipient ({codes[0]})")
        if refused:
            return Done(f"taken; {len(refused)} of {len(to)} recipients refused")
        return Done("250")


def build(settings: Email, secret: Secret, wall_s: Callable[[], float]) -> MailOutlet:
    """The outlet of an `[email]`.  Raises OSError when a secret's file can't be read."""
    return MailOutlet(settings, secret(settings.password, settings.password_file), wall_s)


class _Fused(smtplib.SMTP):
    """A connection under a deadline from its first byte on; with `context`, TLS from the start."""

    def __init__(
        self, deadline: Deadline, context: ssl.SSLContext | None, host: str, port: int, timeout_s: float
    ) -> None:
        self._deadline, self._context = deadline, context
        super().__init__(host, port, timeout=timeout_s)

    def _get_socket(self, host: str, port: int, timeout: float) -> Any:
        sock = socket.create_connection((host, port), timeout)
        self._deadline.hold(sock)
        sock.settimeout(self._deadline.seconds)
        return self._context.wrap_socket(sock, server_hostname=host) if self._context else sock


def compose(parcel: Parcel, sender: str, to: Sequence[str], now_s: float) -> EmailMessage:
    """The mail: text alone, or text, HTML and inline pictures where the body is a packed letter.

    Raises ValueError where an address can't stand in a header.
    """
    letter = unpack(parcel.body)
    mail = EmailMessage(policy=email.policy.SMTP)
    mail["Subject"] = " ".join(parcel.title.split())
    mail["From"] = sender
    mail["To"] = ", ".join(to)
    mail["Date"] = email.utils.formatdate(now_s)
    mail["Message-ID"] = f"<{hashlib.sha256(parcel.key.encode()).hexdigest()[:32]}@rushlight.invalid>"
    mail["Auto-Submitted"] = "auto-generated"
    if parcel.priority == "high":
        mail["Importance"] = "high"
    if letter is None:
        text = parcel.body + (f"\n\n{parcel.link}" if parcel.link else "") + "\n"
        mail.set_content(text)
        return mail
    _dress(mail, letter)
    return mail


def _dress(mail: EmailMessage, letter: Letter) -> None:
    mail.set_content(letter.text)
    mail.add_alternative(letter.html, subtype="html")
    parts = mail.get_payload()
    html = parts[-1] if isinstance(parts, list) else None
    assert isinstance(html, EmailMessage), "an alternative has just been added"
    for name, data in letter.pictures.items():
        kind = "jpeg" if data.startswith(b"\xff\xd8") else "png"
        html.add_related(data, "image", kind, cid=f"<{name}>", disposition="inline", filename=f"{name}.{kind}")


def _by_code(host: str, code: int) -> Result:
    if code >= 500:
        return Never(f"{host} refuses the mail ({code})")
    return Later(f"{host} puts the mail off ({code})")


def _network_reason(host: str, error: BaseException, deadline: Deadline) -> str:
    if deadline.blown or isinstance(error, TimeoutError):
        return f"{host} did not finish within {deadline.seconds:.0f} s"
    if isinstance(error, socket.gaierror):
        return f"the name {host} can't be resolved; is the network up?"
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return f"{host} broke the connection off"
    return f"no connection with {host}"


def _leave(smtp: smtplib.SMTP, deadline: Deadline) -> None:
    """Say goodbye where there is time for it."""
    with contextlib.suppress(smtplib.SMTPException, OSError):
        if not deadline.blown:
            smtp.quit()
    smtp.close()
