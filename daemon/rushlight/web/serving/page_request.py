"""One page_request: the request, who makes it, and how a page for it is rendered."""

from __future__ import annotations

import zoneinfo
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from rushlight.alarms.table import TABLE
from rushlight.localunits import Units
from rushlight.settings import Config, Probe, Tank
from rushlight.views import TankView
from rushlight.web import formats
from rushlight.web.serving import templating
from rushlight.web.serving.access import Access, Device
from rushlight.web.serving.daemon import Daemon
from rushlight.web.serving.wsgi import HttpError, Request, Response


@dataclass(slots=True)
class PageRequest:
    """What a screen is given."""

    request: Request
    daemon: Daemon
    access: Access
    device: Device | None
    token: str
    """For the forms on the page."""

    @property
    def config(self) -> Config:
        """The configuration."""
        return self.daemon.config

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The site's local time."""
        return zoneinfo.ZoneInfo(self.config.site.timezone)

    @property
    def units(self) -> Units:
        """What people at the site read."""
        return Units(self.config.site.units)

    def tank(self, tank_id: str) -> Tank:
        """A configured tank.  Raises HttpError 404."""
        found = next((t for t in self.config.tank if t.id == tank_id), None)
        return found if found is not None else _missing("tank")

    def probe(self, probe_id: str) -> Probe:
        """A configured probe.  Raises HttpError 404."""
        found = next((p for p in self.config.probe if p.id == probe_id), None)
        return found if found is not None else _missing("probe")

    def tank_view(self, tank_id: str) -> TankView:
        """A tank as it stands.  Raises HttpError 404."""
        found = next((t for t in self.daemon.view().tanks if t.id == tank_id), None)
        return found if found is not None else _missing("tank")

    def page(self, template: str, title: str, *, status: HTTPStatus = HTTPStatus.OK, **values: Any) -> Response:
        """A rendered page."""
        now_s, zone = self.daemon.now_s(), self.zone
        body = templating.page(
            template,
            title=title,
            site=self.config.site.name,
            device=self.device,
            token=self.token,
            here=self.request.path,
            tanks=self.config.tank,
            moment=lambda at_s: formats.shown_moment(at_s, now_s, zone),
            date=lambda at_s, first=False: formats.shown_day(at_s, now_s, zone, first=first),
            zone=zone.key,
            day=lambda at_s: formats.day(at_s, now_s, zone),
            alarm_title=lambda alarm: TABLE[alarm.alarm].title,
            u=self.units,
            ago=lambda at_s: formats.ago(at_s, now_s),
            **values,
        )
        return Response(body, status)


def _missing(what: str) -> Any:
    raise HttpError(HTTPStatus.NOT_FOUND, f"There is no such {what}.")
