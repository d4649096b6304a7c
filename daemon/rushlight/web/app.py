"""The WSGI application: addresses to screens, and what every request goes through before and after.

Owns the order: address and method, Host, same site, login, form token, screen, headers.  A GET changes nothing.
"""

from __future__ import annotations

import logging
import re
import secrets
import urllib.parse
from collections.abc import Callable, Iterable
from http import HTTPStatus

from rushlight.journal.reader import UnreadableError
from rushlight.web import diary, home, login, still_to_do
from rushlight.web import log as logbook
from rushlight.web.entering import kit_check, mending, picture, writing
from rushlight.web.login import SESSION
from rushlight.web.serving import guard, templating, wsgi
from rushlight.web.serving.access import Access
from rushlight.web.serving.daemon import Daemon
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import Environ, HttpError, Request, Response, StartResponse
from rushlight.web.timeline import screen as timeline

log = logging.getLogger(__name__)

FORM_COOKIE = "rushlight-form"
"""What form tokens hang on before there is a login."""

Screen = Callable[..., Response]
_NAME = r"[^/]{1,100}"
_PICTURED = f"/tanks/{_NAME}/picture"
"""The one form that may be larger than others."""
_OPEN: tuple[tuple[str, str, Screen], ...] = (
    ("GET POST", "/setup", login.setup),
    ("GET POST", "/login", login.login),
    ("GET POST", f"/join/(?P<token>{_NAME})", login.join),
    ("GET POST", r"/acknowledge/(?P<text>[^/]{1,900})", writing.ticket),
)
"""Screens for those who are not logged in."""
_CLOSED: tuple[tuple[str, str, Screen], ...] = (
    ("GET", "/", home.home),
    ("GET", "/wall", home.wall),
    ("GET", f"/tanks/(?P<tank_id>{_NAME})", timeline.tank),
    ("GET", f"/tanks/(?P<tank_id>{_NAME})/timeline", timeline.part),
    ("GET", f"/tanks/(?P<tank_id>{_NAME})/values", timeline.values),
    ("GET", f"/tanks/(?P<tank_id>{_NAME})/look", timeline.look),
    ("GET", f"/tanks/(?P<tank_id>{_NAME})/entries", logbook.screen),
    ("GET", f"/tanks/(?P<tank_id>{_NAME})/diary", diary.screen),
    ("GET POST", f"/tanks/(?P<tank_id>{_NAME})/picture", diary.take),
    ("GET", r"/pictures/(?P<name>[0-9a-f]{64})\.jpg", diary.image),
    ("GET POST", f"/tanks/(?P<tank_id>{_NAME})/kit-check", kit_check.screen),
    ("GET POST", f"/tanks/(?P<tank_id>{_NAME})/(?P<what>[a-z-]+)", writing.entry),
    ("GET POST", f"/probes/(?P<probe_id>{_NAME})/calibration", writing.calibration),
    ("GET POST", f"/entries/(?P<entry_id>{_NAME})", mending.screen),
    ("GET", "/words", home.words),
    ("POST", "/undo", writing.undo),
    ("POST", "/alarms/acknowledge", writing.acknowledge),
    ("POST", "/alarms/shelve", writing.shelve),
    ("GET", "/still-to-do", still_to_do.screen),
    ("POST", "/still-to-do/rehearsal", still_to_do.rehearse),
    ("POST", "/still-to-do/confirm", still_to_do.confirm),
    ("GET", "/devices", login.devices),
    ("GET POST", "/passphrase", login.passphrase),
    ("POST", "/devices/link", login.make_link),
    ("POST", "/devices/revoke", login.revoke),
    ("POST", "/logout", login.logout),
)
_ROUTES = [
    (methods.split(), re.compile(pattern), screen, closed)
    for closed, table in ((False, _OPEN), (True, _CLOSED))
    for methods, pattern, screen in table
]


class App:
    """One page over one daemon."""

    def __init__(self, daemon: Daemon, access: Access) -> None:
        self._daemon, self._access = daemon, access
        self._guard = guard.Guard(daemon.config)

    def __call__(self, environ: Environ, start: StartResponse) -> Iterable[bytes]:
        """WSGI (PEP 3333)."""
        response = self._answered(environ)
        if not any(name == "Cache-Control" for name, _ in response.headers):
            response.headers.append(("Cache-Control", "no-store"))
        own = {name for name, _ in response.headers}
        response.headers += [h for h in guard.HEADERS if h[0] not in own]
        wsgi.pack(response, str(environ.get("HTTP_ACCEPT_ENCODING", "")))
        return wsgi.send(response, start, with_body=environ.get("REQUEST_METHOD") != "HEAD")

    def _answered(self, environ: Environ) -> Response:
        try:
            request = wsgi.parse(environ)
            self._guard.admit(request)
            if request.method == "POST":
                pictured = re.fullmatch(_PICTURED, request.path) is not None
                request.form = wsgi.read_form(environ, picture.FORM_BYTES if pictured else wsgi.BODY_BYTES)
            return self._answer(request)
        except HttpError as e:
            return _refusal(e)
        except TimeoutError:
            return _refusal(HttpError(HTTPStatus.SERVICE_UNAVAILABLE, "Too busy just now; nothing is lost. Try again."))
        except UnreadableError as e:
            log.warning("page=unreadable why=%r", str(e))
            return _refusal(HttpError(HTTPStatus.SERVICE_UNAVAILABLE, "The journal can't be read just now."))
        except Exception:
            log.exception("page=failed path=%r", environ.get("PATH_INFO"))
            return _refusal(HttpError(HTTPStatus.INTERNAL_SERVER_ERROR, "Something went wrong; the log says what."))

    def _answer(self, request: Request) -> Response:
        if request.path.startswith("/static/"):
            return _static(request)
        screen, closed, names = _route(request)
        session = request.cookies.get(SESSION, "")
        device = self._access.device(session)
        holder = session if device is not None else request.cookies.get(FORM_COOKIE, "")
        proven = (
            screen is writing.ticket
        )  # the ticket is its own proof: it names one rise of one alarm, and only we make it
        if request.method == "POST" and not proven and not self._access.check_token(holder, request.field("token")):
            raise self._no_token(request, logged_in=device is not None, closed=closed)
        fresh = "" if holder else secrets.token_urlsafe(24)
        asked = PageRequest(request, self._daemon, self._access, device, self._access.token(holder or fresh))
        response = (None if proven else self._gate(asked, closed=closed)) or screen(asked, **names)
        if fresh:
            response.headers.append(wsgi.cookie(FORM_COOKIE, fresh, secure=request.secure))
        return response

    def _no_token(self, request: Request, *, logged_in: bool, closed: bool) -> HttpError:
        if closed and not logged_in:
            return HttpError(HTTPStatus.UNAUTHORIZED, "Log in first; then send it again.")
        log.warning("page=no-token path=%r address=%s", request.path, request.address)
        return HttpError(HTTPStatus.FORBIDDEN, "This form is out of date. Open it again; nothing was saved.")

    def _gate(self, asked: PageRequest, *, closed: bool) -> Response | None:
        """Where those go who may not see the screen; None when they may."""
        request = asked.request
        if not self._access.ready and request.path != "/setup":
            return wsgi.redirect("/setup")
        if not closed or asked.device is not None:
            return None
        if request.method == "POST":
            raise HttpError(HTTPStatus.UNAUTHORIZED, "Log in first; then send it again.")
        onward = urllib.parse.quote(request.path)
        return wsgi.redirect(f"/login?next={onward}")


def _route(request: Request) -> tuple[Screen, bool, dict[str, str]]:
    method = "GET" if request.method == "HEAD" else request.method
    known = False
    for methods, pattern, screen, closed in _ROUTES:
        found = pattern.fullmatch(request.path)
        if found is not None:
            if method in methods:
                return screen, closed, found.groupdict()
            known = True
    if known:
        raise HttpError(HTTPStatus.METHOD_NOT_ALLOWED, "Not that way.")
    raise HttpError(HTTPStatus.NOT_FOUND, "There is no such page.")


def _static(request: Request) -> Response:
    name = request.path.removeprefix("/static/")
    if name not in templating.STATIC or request.method == "POST":
        raise HttpError(HTTPStatus.NOT_FOUND, "There is no such page.")
    keep = ("Cache-Control", "public, max-age=31536000, immutable" if request.query else "no-cache")
    return Response(templating.static(name), kind=templating.STATIC[name], headers=[keep])


def _refusal(error: HttpError) -> Response:
    body = templating.page("error.html", status=error.status, words=error.words)
    response = Response(body, error.status)
    if error.retry_after_s is not None:
        response.headers.append(("Retry-After", str(error.retry_after_s)))
    return response
