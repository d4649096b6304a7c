"""The webhook: its own form and the keeper's."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.effects import Told
from rushlight.outlets.result import Done, Parcel
from rushlight.outlets.webhook import TemplateError, WebhookOutlet, fields, fill
from rushlight.settings import Webhook

PARCEL = Parcel(
    key="k",
    priority="high",
    title='He said "no"',
    body="a\nb \\ ° $title",
    alarms=(Told("foyer.ph_low", 1, "raise"),),
    link="l",
)


def test_without_a_template_all_fields_go(receiver):
    server = receiver()
    assert isinstance(WebhookOutlet(Webhook(), f"{server.url}/hook?x=1", "tok", lambda: 0.0).send(PARCEL), Done)
    (request,) = server.requests
    assert request.path == "/hook?x=1"
    assert request.headers["authorization"] == "Bearer tok"
    assert json.loads(request.headers["idempotency-key"]) == "k"
    assert request.json() == fields(PARCEL)


def test_with_a_template(receiver):
    server = receiver()
    template = '{"text": "$title: $body", "urgent": "$priority", "price": "$$5"}'
    WebhookOutlet(Webhook(template=template), server.url, "", lambda: 0.0).send(PARCEL)
    assert server.requests[0].json() == {"text": f"{PARCEL.title}: {PARCEL.body}", "urgent": "high", "price": "$5"}


@pytest.mark.parametrize("template", ['{"a": "$nonsense"}', "{$title}", '{"a": "$title"', '{"a": $body}', '{"a": "$"}'])
def test_a_bad_template_is_found_before_the_first_alarm(template):
    with pytest.raises(TemplateError, match=r"webhook\.template"):
        WebhookOutlet(Webhook(template=template), "http://x", "", lambda: 0.0)


@given(st.text(), st.text())
def test_no_text_breaks_out_of_its_string(title, body):
    parcel = Parcel(key="k", priority="low", title=title, body=body)
    assert json.loads(fill('{"a": "$title", "b": ["$body"]}', parcel)) == {"a": title, "b": [body]}
