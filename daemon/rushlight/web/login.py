"""The screens before and around a login: first run, login, logout, devices and the links that let one in."""

from __future__ import annotations

from http import HTTPStatus

from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import HttpError, Response, cookie, redirect

SESSION = "rushlight"
KEEP_S = 400 * 86400
"""As long as browsers keep a cookie; the server's own limit is shorter (`access.KEEP_S`)."""


def local_path(text: str) -> str:
    """A path on this server, or '/': never another site's address."""
    sane = text.startswith("/") and not text.startswith("//") and "\\" not in text and text.isprintable()
    return text if sane and len(text) < 300 else "/"


def setup(asked: PageRequest) -> Response:
    """First run: the code from the log and a passphrase, twice."""
    if asked.access.ready:
        return redirect("/login")
    request = asked.request
    if request.method != "POST":
        return asked.page("setup.html", "First run", fault="")
    if request.field("passphrase") != request.field("again"):
        differ = HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, "The two passphrases differ.")
        return _retry(asked, "setup.html", "First run", differ)
    try:
        value = asked.access.set_passphrase(
            request.field("code"), request.field("passphrase"), request.address, request.field("name")
        )
    except HttpError as e:
        return _retry(asked, "setup.html", "First run", e)
    return _enter(asked, value, "/still-to-do")


def login(asked: PageRequest) -> Response:
    """The passphrase."""
    request = asked.request
    onward = local_path(request.form.get("next") or request.query.get("next", "/"))
    if request.method != "POST":
        foreign = request.headers.get("sec-fetch-site") == "cross-site"
        return asked.page("login.html", "Log in", fault="", onward=onward, foreign=foreign)
    try:
        value = asked.access.log_in(request.field("passphrase"), request.address, request.field("name"))
    except HttpError as e:
        return _retry(asked, "login.html", "Log in", e, onward=onward, foreign=False)
    return _enter(asked, value, onward)


def _retry(asked: PageRequest, template: str, title: str, error: HttpError, **values: object) -> Response:
    response = asked.page(template, title, status=error.status, fault=error.words, **values)
    if error.retry_after_s is not None:
        response.headers.append(("Retry-After", str(error.retry_after_s)))
    return response


def _enter(asked: PageRequest, value: str, onward: str) -> Response:
    response = redirect(onward)
    response.headers.append(cookie(SESSION, value, secure=asked.request.secure, keep_s=KEEP_S))
    return response


def passphrase(asked: PageRequest) -> Response:
    """Another passphrase; who is logged in elsewhere is logged out."""
    request, device = asked.request, asked.device
    if request.method != "POST" or device is None:
        return asked.page("passphrase.html", "Change the passphrase", fault="")
    if request.field("passphrase") != request.field("again"):
        differ = HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, "The two new passphrases differ.")
        return _retry(asked, "passphrase.html", "Change the passphrase", differ)
    try:
        value = asked.access.change_passphrase(request.field("old"), request.field("passphrase"), device.name)
    except HttpError as e:
        return _retry(asked, "passphrase.html", "Change the passphrase", e)
    return _enter(asked, value, "/devices")


def logout(asked: PageRequest) -> Response:
    """This device's cookie is worth nothing any more."""
    if asked.device is not None:
        asked.access.revoke(asked.device.id)
    response = redirect("/login")
    response.headers.append(cookie(SESSION, "", secure=asked.request.secure, keep_s=0))
    return response


def devices(asked: PageRequest) -> Response:
    """Who is logged in, and a link for one more."""
    return asked.page("devices.html", "Devices", devices=asked.access.devices(), link="")


def make_link(asked: PageRequest) -> Response:
    """A link that lets one more device in, once; shown now and never again."""
    scheme = "https" if asked.request.secure else "http"
    link = f"{scheme}://{asked.request.host}/join/{asked.access.make_link()}"
    return asked.page("devices.html", "Devices", devices=asked.access.devices(), link=link)


def revoke(asked: PageRequest) -> Response:
    """Log another device out."""
    asked.access.revoke(asked.request.field("device"))
    return redirect("/devices")


def join(asked: PageRequest, token: str) -> Response:
    """What a device link leads to; opening it does nothing yet, so that a preview can't spend it."""
    request = asked.request
    if request.method != "POST":
        return asked.page("join.html", "A device link", fault="")
    try:
        value = asked.access.use_link(token, request.address, request.field("name"))
    except HttpError as e:
        return _retry(asked, "join.html", "A device link", e)
    return _enter(asked, value, "/")
