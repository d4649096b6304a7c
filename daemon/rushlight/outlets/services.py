"""The many phone services, through one notification library in a child process.

The library costs 18 MB of memory and says only whether a message went, not why it did not.  So it is loaded for
one send at a time, in a child that is killed at the deadline, and every failure is for later.  The addresses hold
credentials: they go to the child by its standard input, and nothing that the child says is passed on.

Run as `python -m rushlight.outlets.services` it is the child.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping

from rushlight.outlets.push import MOST_BYTES, cut
from rushlight.outlets.result import Done, Later, Never, Parcel, Result, Secret
from rushlight.settings import Services

_SENT, _NOT_SENT, _NO_LIBRARY, _BAD_ADDRESS = 0, 3, 4, 5
_KINDS = {"high": "failure", "medium": "warning", "low": "info"}


class ServicesOutlet:
    """`urls` are the secrets themselves, already read from their file, separated by white space."""

    certificate_until_s: float | None = None

    def __init__(self, settings: Services, urls: str) -> None:
        self._settings, self._urls = settings, urls.split()

    def send(self, parcel: Parcel) -> Result:
        """Hand one message to every service; done only if all of them took it."""
        body = f"{parcel.body}\n{parcel.link}" if parcel.link else parcel.body
        asked = {
            "urls": self._urls,
            "title": parcel.title,
            "body": cut(body, MOST_BYTES),
            "kind": _KINDS[parcel.priority],
        }
        return self._run(asked)

    def check(self) -> Result | None:
        """There is no way to prove these credentials without sending."""
        return None

    def _run(self, asked: Mapping[str, object]) -> Result:
        try:
            done = subprocess.run(
                [sys.executable, "-m", "rushlight.outlets.services"],
                input=json.dumps(asked).encode(),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=self._settings.deadline_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return Later(f"the services did not finish within {self._settings.deadline_s:.0f} s")
        except OSError as e:
            return Later(f"no process for the services ({type(e).__name__})")
        answers: dict[int, Result] = {
            _SENT: Done(),
            _NO_LIBRARY: Never("the notification library is not installed; install the extra `services`"),
            _BAD_ADDRESS: Never("one of the services' addresses is not one that the library knows"),
        }
        return answers.get(done.returncode, Later("a service did not take the message"))


def build(settings: Services, secret: Secret, _wall_s: Callable[[], float]) -> ServicesOutlet:
    """The outlet of a `[services]`.  Raises OSError when a secret's file can't be read."""
    return ServicesOutlet(settings, secret(settings.urls_secret, settings.urls_secret_file))


def _main() -> int:
    try:
        import apprise  # noqa: PLC0415 - only the child pays for it
    except ImportError:
        return _NO_LIBRARY
    asked = json.load(sys.stdin)
    services = apprise.Apprise()
    if not asked["urls"] or not all(services.add(url) for url in asked["urls"]):
        return _BAD_ADDRESS
    return _SENT if services.notify(body=asked["body"], title=asked["title"], notify_type=asked["kind"]) else _NOT_SENT


if __name__ == "__main__":
    sys.exit(_main())
