"""A JSON document posted to an address of the keeper's own, in a form of the keeper's own.

Owns how a template is filled: every `$name` stands inside a JSON string and is filled as such, so no text can
break out of it.  Never retries: the outbox does.
"""

from __future__ import annotations

import json
import string
from collections.abc import Callable
from typing import Any

from rushlight.outlets.net import http_request
from rushlight.outlets.push import authorization
from rushlight.outlets.result import Parcel, Result, Secret
from rushlight.settings import Webhook


class TemplateError(ValueError):
    """The template is not JSON, or names a field that does not exist."""


class WebhookOutlet:
    """`url` and `token` are the secrets themselves.  Raises TemplateError."""

    def __init__(self, settings: Webhook, url: str, token: str, wall_s: Callable[[], float]) -> None:
        self._settings, self._url, self._wall_s = settings, url, wall_s
        self._headers = authorization(token)
        self.certificate_until_s: float | None = None
        fill(settings.template, Parcel(key='"k"', priority="low", title="t\\", body='a "b"\n'))

    def send(self, parcel: Parcel) -> Result:
        """Post one document."""
        answer = http_request.post_json(
            self._url,
            fill(self._settings.template, parcel),
            parcel.key,
            headers=self._headers,
            settings=self._settings,
            wall_s=self._wall_s,
        )
        self.certificate_until_s = answer.certificate_until_s or self.certificate_until_s
        return answer.result

    def check(self) -> Result | None:
        """There is no way to prove an address without posting to it."""
        return None


def build(settings: Webhook, secret: Secret, wall_s: Callable[[], float]) -> WebhookOutlet:
    """The outlet of a `[webhook]`.  Raises OSError when a secret's file can't be read."""
    url, token = secret(settings.url, settings.url_file), secret(settings.token, settings.token_file)
    return WebhookOutlet(settings, url, token, wall_s)


def fields(parcel: Parcel) -> dict[str, str]:
    """What a template may name."""
    return {
        "key": parcel.key,
        "priority": parcel.priority,
        "title": parcel.title,
        "body": parcel.body,
        "alarm": " ".join(t.alarm for t in parcel.alarms),
        "link": parcel.link,
    }


def fill(template: str, parcel: Parcel) -> str:
    """The document as text; an empty template gives all fields as one object.  Raises TemplateError."""
    values = fields(parcel)
    if not template:
        return json.dumps(values, ensure_ascii=False)
    inside = {name: json.dumps(text, ensure_ascii=False)[1:-1] for name, text in values.items()}
    try:
        text = string.Template(template).substitute(inside)
        _: Any = json.loads(text)
    except KeyError as e:
        known = ", ".join(f"${name}" for name in values)
        raise TemplateError(f"webhook.template: ${e.args[0]} is not one of {known}") from None
    except ValueError as e:
        raise TemplateError(f"webhook.template: does not make a JSON document ({e})") from None
    return text
