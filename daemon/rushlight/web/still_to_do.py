"""The screen that goes on where the guide on the Pi ends: what nobody has done yet, each with the way to do it."""

from __future__ import annotations

from http import HTTPStatus

from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import HttpError, Response, redirect

_HERE = "/still-to-do"


def screen(asked: PageRequest) -> Response:
    """The list."""
    return asked.page("still_to_do.html", "Still to do", items=asked.daemon.view().unfinished)


def rehearse(asked: PageRequest) -> Response:
    """Send a trial by every way to people."""
    asked.daemon.rehearse()
    return redirect(_HERE)


def confirm(asked: PageRequest) -> Response:
    """A person has it in hand."""
    try:
        asked.daemon.confirm(asked.request.field("channel"))
    except ValueError as e:
        raise HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, f"Not done: {e}.") from None
    return redirect(_HERE)
