"""The screens before and around a login: first run, login, logout, devices and the links that let one in."""

from __future__ import annotations

from http import HTTPStatus

from rushlight.web.http import HttpError, Response, cookie, redirect
from rushlight.web.visit import Visit

SESSION = "rushlight"
KEEP_S = 400 * 86400
"""As long as browsers keep a cookie; the server's own limit is shorter (`access.KEEP_S`)."""


def local_path(text: str) -> str:
    """A path on this server, or '/': never another site's address."""
    sane = text.startswith("/") and not text.startswith("//") and "\\" not in text and text.isprintable()
    return text if sane and len(text) < 300 else "/"


def setup(visit: Visit) -> Response:
    """First run: the code from the log and a passphrase, twice."""
    if visit.access.ready:
        return redirect("/login")
    request = visit.request
    if request.method != "POST":
        return visit.page("setup.html", "First run", fault="")
    if request.field("passphrase") != request.field("again"):
        differ = HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, "The two passphrases differ.")
        return _retry(visit, "setup.html", "First run", differ)
    try:
        value = visit.access.set_passphrase(
            request.field("code"), request.field("passphrase"), request.address, request.field("name")
        )
    except HttpError as e:
        return _retry(visit, "setup.html", "First run", e)
    return _enter(visit, value, "/")


def login(visit: Visit) -> Response:
    """The passphrase."""
    request = visit.request
    onward = local_path(request.form.get("next") or request.query.get("next", "/"))
    if request.method != "POST":
        foreign = request.headers.get("sec-fetch-site") == "cross-site"
        return visit.page("login.html", "Log in", fault="", onward=onward, foreign=foreign)
    try:
        value = visit.access.log_in(request.field("passphrase"), request.address, request.field("name"))
    except HttpError as e:
        return _retry(visit, "login.html", "Log in", e, onward=onward, foreign=False)
    return _enter(visit, value, onward)


def _retry(visit: Visit, template: str, title: str, error: HttpError, **values: object) -> Response:
    response = visit.page(template, title, status=error.status, fault=error.words, **values)
    if error.retry_after_s is not None:
        response.headers.append(("Retry-After", str(error.retry_after_s)))
    return response


def _enter(visit: Visit, value: str, onward: str) -> Response:
    response = redirect(onward)
    response.headers.append(cookie(SESSION, value, secure=visit.request.secure, keep_s=KEEP_S))
    return response


def passphrase(visit: Visit) -> Response:
    """Another passphrase; who is logged in elsewhere is logged out."""
    request, device = visit.request, visit.device
    if request.method != "POST" or device is None:
        return visit.page("passphrase.html", "Change the passphrase", fault="")
    if request.field("passphrase") != request.field("again"):
        differ = HttpError(HTTPStatus.UNPROCESSABLE_ENTITY, "The two new passphrases differ.")
        return _retry(visit, "passphrase.html", "Change the passphrase", differ)
    try:
        value = visit.access.change_passphrase(
            request.field("old"), request.field("passphrase"), request.address, device.name
        )
    except HttpError as e:
        return _retry(visit, "passphrase.html", "Change the passphrase", e)
    return _enter(visit, value, "/devices")


def logout(visit: Visit) -> Response:
    """This device's cookie is worth nothing any more."""
    if visit.device is not None:
        visit.access.revoke(visit.device.id)
    response = redirect("/login")
    response.headers.append(cookie(SESSION, "", secure=visit.request.secure, keep_s=0))
    return response


def devices(visit: Visit) -> Response:
    """Who is logged in, and a link for one more."""
    return visit.page("devices.html", "Devices", devices=visit.access.devices(), link="")


def make_link(visit: Visit) -> Response:
    """A link that lets one more device in, once; shown now and never again."""
    scheme = "https" if visit.request.secure else "http"
    link = f"{scheme}://{visit.request.host}/join/{visit.access.make_link()}"
    return visit.page("devices.html", "Devices", devices=visit.access.devices(), link=link)


def revoke(visit: Visit) -> Response:
    """Log another device out."""
    visit.access.revoke(visit.request.field("device"))
    return redirect("/devices")


def join(visit: Visit, token: str) -> Response:
    """What a device link leads to; opening it does nothing yet, so that a preview can't spend it."""
    request = visit.request
    if request.method != "POST":
        return visit.page("join.html", "A device link", fault="")
    try:
        value = visit.access.use_link(token, request.address, request.field("name"))
    except HttpError as e:
        return _retry(visit, "join.html", "A device link", e)
    return _enter(visit, value, "/")
