"""Who may write: the passphrase, the devices that are logged in, form tokens, and patience with wrong tries.

Owns one file, `page.json`, mode 0600, in the data folder: the passphrase's scrypt hash (RFC 7914), a secret for
tokens, and a hash of each device's cookie.  Deleting it and its copy starts over with a new code in the log.  Nothing
in it can be turned back into a passphrase or a cookie.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import logging
import os
import secrets
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from http import HTTPStatus
from pathlib import Path

from rushlight.journal.recovery import files
from rushlight.localtime import DAY_S
from rushlight.web.serving.wsgi import HttpError

log = logging.getLogger(__name__)

FILE_NAME = "page.json"
SHORTEST = 10
"""Characters of a passphrase, after blanks at its ends are gone."""
KEEP_S = 180 * DAY_S
"""A device that was not used this long has to log in again."""
LINK_S = 24 * 3600
_SCRYPT = {"n": 2**14, "r": 8, "p": 1, "maxmem": 64 * 1024 * 1024, "dklen": 32}
_ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
_TOUCH_S = DAY_S
_WINDOW_S = 900.0
_TRIES, _TRIES_ALL = 6, 60
"""Wrong tries in a quarter of an hour from one address, and from all together."""
_MOST_DEVICES = 50


@dataclass(slots=True)
class Device:
    """One phone or computer that is logged in; `id` is safe to show."""

    id: str
    cookie_hash: str
    name: str
    since_s: float
    used_s: float


@dataclass(slots=True)
class Kept:
    """What the file holds."""

    secret: str
    salt: str = ""
    passphrase: str = ""
    devices: list[Device] = field(default_factory=list)
    links: dict[str, float] = field(default_factory=dict)
    """Hash of a link's token, and until when it may be used once."""


class Patience:
    """Counts wrong tries; refuses more than a few in a quarter of an hour."""

    def __init__(self, mono_s: Callable[[], float]) -> None:
        self._mono_s = mono_s
        self._wrong: list[tuple[float, str]] = []

    def check(self, address: str) -> None:
        """Raises HttpError 429 when there were too many wrong tries."""
        since_s = self._mono_s() - _WINDOW_S
        self._wrong = [w for w in self._wrong if w[0] > since_s]
        mine = [at_s for at_s, who in self._wrong if who == address]
        if len(mine) >= _TRIES or len(self._wrong) >= _TRIES_ALL:
            first_s = mine[-_TRIES] if len(mine) >= _TRIES else self._wrong[0][0]
            wait_s = max(1, round(first_s - since_s))
            raise HttpError(
                HTTPStatus.TOO_MANY_REQUESTS, "Too many wrong tries. Wait a quarter of an hour.", retry_after_s=wait_s
            )

    def note_wrong(self, address: str) -> None:
        """One more."""
        self._wrong.append((self._mono_s(), address))


class Access:
    """Everything about being let in; may be called from any thread."""

    def __init__(self, folder: Path, now_s: Callable[[], float], mono_s: Callable[[], float]) -> None:
        self._file, self._copy, self._now_s = folder / FILE_NAME, folder / f"{FILE_NAME}.copy", now_s
        self.told = ""
        """What happened to the file, where a person should know."""
        self._lock = threading.Lock()
        self._patience, self._inside = Patience(mono_s), Patience(mono_s)
        """Of who is outside, by address, and of devices that are logged in."""
        self._kept = self._load()
        self.code = ""
        if not self._kept.passphrase:
            self.code = "-".join("".join(secrets.choice(_ALPHABET) for _ in range(4)) for _ in range(2))
            log.warning("page=setup code=%s", self.code)

    @property
    def ready(self) -> bool:
        """Whether a passphrase has been set."""
        return bool(self._kept.passphrase)

    @property
    def secret(self) -> bytes:
        """The key for tickets and form tokens."""
        return bytes.fromhex(self._kept.secret)

    # ------------------------------------------------------------------ coming in

    def set_passphrase(self, code: str, passphrase: str, address: str, name: str) -> str:
        """First run: the passphrase, proved by the code from the log; returns the first device's cookie.

        Raises HttpError: a wrong code, too many of them, or a passphrase that is too short.
        """
        with self._lock:
            if self.ready:
                raise HttpError(HTTPStatus.CONFLICT, "A passphrase is set already.")
            self._patience.check(address)
            if not hmac.compare_digest(code.strip().upper().encode(), self.code.encode()):
                self._patience.note_wrong(address)
                raise HttpError(HTTPStatus.FORBIDDEN, "That is not the code that the log shows.")
            check_length(passphrase)
            self._kept.salt = secrets.token_hex(16)
            self._kept.passphrase = self._hash(passphrase)
            self.code = ""
            log.info("page=passphrase-set")
            return self._enrol(name)

    def log_in(self, passphrase: str, address: str, name: str) -> str:
        """A device's cookie for the right passphrase.  Raises HttpError: wrong, or too many wrong ones."""
        with self._lock:  # one hash at a time: each takes 16 MB and a good part of a second on a small board
            self._patience.check(address)
            if not hmac.compare_digest(self._hash(passphrase), self._kept.passphrase):
                self._patience.note_wrong(address)
                log.warning("page=wrong-passphrase address=%s", address)
                raise HttpError(HTTPStatus.FORBIDDEN, "That is not the passphrase.")
            return self._enrol(name)

    def make_link(self) -> str:
        """A token that lets one more device in, once, within a day."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            now_s = self._now_s()
            self._kept.links = {k: v for k, v in self._kept.links.items() if v > now_s}
            self._kept.links[_digest(token)] = now_s + LINK_S
            self._save()
        return token

    def use_link(self, token: str, address: str, name: str) -> str:
        """A cookie for a link's token, which is spent by it.  Raises HttpError: unknown, used or too old."""
        with self._lock:  # no brake: nobody guesses 24 bytes, and who holds a link is not to pay for others' tries
            until_s = self._kept.links.pop(_digest(token), None)
            if until_s is None or until_s < self._now_s():
                log.warning("page=wrong-link address=%s", address)
                raise HttpError(HTTPStatus.FORBIDDEN, "This link has been used or is too old; make another.")
            return self._enrol(name)

    def change_passphrase(self, old: str, new: str, name: str) -> str:
        """Another passphrase, proved by the old one: all sessions and links end; returns a new cookie for the asker.

        Raises HttpError: the old one is wrong, too many tries, or the new one is too short.
        """
        with self._lock:
            self._inside.check(name)
            if not hmac.compare_digest(self._hash(old), self._kept.passphrase):
                self._inside.note_wrong(name)
                raise HttpError(HTTPStatus.FORBIDDEN, "That is not the present passphrase.")
            check_length(new)
            self._kept.salt = secrets.token_hex(16)
            self._kept.passphrase = self._hash(new)
            self._kept.devices, self._kept.links = [], {}
            log.info("page=passphrase-changed")
            return self._enrol(name)

    # ------------------------------------------------------------------ being in

    def device(self, cookie_value: str) -> Device | None:
        """The device that a cookie belongs to."""
        if not cookie_value:
            return None
        digest, now_s = _digest(cookie_value), self._now_s()
        with self._lock:
            found = next((d for d in self._kept.devices if hmac.compare_digest(d.cookie_hash, digest)), None)
            if found is None or now_s - found.used_s > KEEP_S:
                return None
            if now_s - found.used_s > _TOUCH_S:
                found.used_s = now_s
                self._save()
            return found

    def devices(self) -> list[Device]:
        """All that are logged in."""
        with self._lock:
            return list(self._kept.devices)

    def revoke(self, device_id: str) -> None:
        """Log a device out for good; unknown ids are ignored."""
        with self._lock:
            self._kept.devices = [d for d in self._kept.devices if d.id != device_id]
            self._save()
        log.info("page=device-revoked id=%s", device_id)

    def token(self, cookie_value: str) -> str:
        """The form token that goes with a cookie."""
        return hmac.new(self.secret, b"form:" + cookie_value.encode(), "sha256").hexdigest()[:40]

    def check_token(self, cookie_value: str, token: str) -> bool:
        """Whether a form was made for this cookie."""
        return bool(cookie_value) and hmac.compare_digest(self.token(cookie_value).encode(), token.encode())

    # ------------------------------------------------------------------ inside

    def _enrol(self, name: str) -> str:
        value, now_s = secrets.token_urlsafe(32), self._now_s()
        device = Device(secrets.token_hex(6), _digest(value), name[:60] or "device", now_s, now_s)
        self._kept.devices = [*self._kept.devices, device][-_MOST_DEVICES:]
        self._save()
        log.info("page=device-added id=%s", device.id)
        return value

    def _hash(self, passphrase: str) -> str:
        said = passphrase.strip().encode()[:1024]
        return hashlib.scrypt(said, salt=bytes.fromhex(self._kept.salt), **_SCRYPT).hex()

    def _load(self) -> Kept:
        try:
            kept = _read(self._file)
        except FileNotFoundError:
            return Kept(secret=secrets.token_hex(32))
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as e:
            return self._again(e)
        with contextlib.suppress(OSError):
            self._write(self._copy, kept)  # of a file that came before there were copies
        return kept

    def _again(self, fault: Exception) -> Kept:
        """The copy in the place of a damaged file.  Raises RuntimeError.

        Starting over would let in whoever reads the log; without a copy, a damaged file is a person's affair.
        """
        try:
            kept = _read(self._copy)
            aside = files.put_by(self._file)
            self._write(self._file, kept)
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            raise RuntimeError(f"{self._file} can't be read ({fault}); mend it, or delete it to start over") from fault
        self.told = (
            f"The file {self._file.name} was damaged; {aside.name} is what it was, and it was made anew from a copy."
        )
        return kept

    def _save(self) -> None:
        self._file.parent.mkdir(parents=True, exist_ok=True)
        self._write(self._file, self._kept)
        self._write(self._copy, self._kept)

    @staticmethod
    def _write(file: Path, kept: Kept) -> None:
        beside = file.with_suffix(file.suffix + ".new")
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
            json.dump(asdict(kept), out)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(file)


def _read(file: Path) -> Kept:
    """Raises OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError for what is no such file."""
    raw = json.loads(file.read_text())
    os.chmod(file, 0o600)  # noqa: PTH101 - a copy put back by hand may be readable by all
    kept = Kept(**{**raw, "devices": [Device(**d) for d in raw.get("devices", [])]})
    bytes.fromhex(kept.secret)
    bytes.fromhex(kept.salt)
    if len(kept.secret) < 32 or not isinstance(kept.links, dict):
        raise ValueError("it lacks what lets anybody in")
    return kept


def check_length(passphrase: str) -> None:
    """Raises HttpError when it is too short to keep a neighbour out."""
    if len(passphrase.strip()) < SHORTEST:
        raise HttpError(
            HTTPStatus.UNPROCESSABLE_ENTITY, f"Choose at least {SHORTEST} characters; a few words make a good one."
        )


def _digest(value: str) -> str:
    return hashlib.sha256(value.encode()).hexdigest()
