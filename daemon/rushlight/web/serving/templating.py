"""Templates to bytes.  Owns the environment, the filters, and the addresses of the static files with their version."""

from __future__ import annotations

import functools
import hashlib
import importlib.resources
import uuid
from typing import Any

import jinja2

from rushlight.alarms.wording.words import capital
from rushlight.drawing import signs
from rushlight.localunits import number
from rushlight.web import formats

STATIC = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "pages.js": "text/javascript; charset=utf-8",
    "tank.js": "text/javascript; charset=utf-8",
    "camera.js": "text/javascript; charset=utf-8",
    "cover.js": "text/javascript; charset=utf-8",
    "diary.css": "text/css; charset=utf-8",
    "diary.js": "text/javascript; charset=utf-8",
    "times.js": "text/javascript; charset=utf-8",
    "timeline.js": "text/javascript; charset=utf-8",
    "wall.js": "text/javascript; charset=utf-8",
    "kit.css": "text/css; charset=utf-8",
    "strip.css": "text/css; charset=utf-8",
    "strip.js": "text/javascript; charset=utf-8",
    "icon.png": "image/png",
}
TOGETHER = {"pages.js": ("page.js", "times.js"), "tank.js": ("page.js", "times.js", "timeline.js")}
"""Scripts that a page sends as one: each file more costs a slow phone some ten milliseconds at its first view."""
WAKING = importlib.resources.files("rushlight.web").joinpath("static", "wake.js").read_text(encoding="utf-8")
"""The one script that stands in every page itself, before the stylesheet.  What a closed part holds is the text of a
<noscript> until it is opened and so costs a slow phone nothing; and it opens where no other script arrives."""


@functools.cache
def static(name: str) -> bytes:
    """One of `STATIC`."""
    if name in TOGETHER:
        return b"\n".join(map(static, TOGETHER[name]))
    return importlib.resources.files("rushlight.web").joinpath("static", name).read_bytes()


@functools.cache
def address(name: str) -> str:
    """Where a static file is; it changes with the file, so that a browser may keep it for good."""
    return f"/static/{name}?v={hashlib.sha256(static(name)).hexdigest()[:10]}"


def page(template: str, **values: Any) -> bytes:
    """A whole page."""
    return _templates().get_template(template).render(**values).encode()


@functools.cache
def _templates() -> jinja2.Environment:
    env = jinja2.Environment(
        loader=jinja2.PackageLoader("rushlight.web"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals["static"] = address
    env.globals["waking"] = WAKING
    env.globals["new_id"] = lambda: str(uuid.uuid4())
    env.globals["sign_path"] = lambda shape: signs.PATHS[shape]
    env.filters["figure"] = lambda v, digits=3: "not known" if v is None else number(v, digits)
    env.filters["span"] = formats.span
    env.filters["capital"] = capital
    env.filters["clocks"] = formats.clocks
    env.filters["whole"] = formats.whole
    env.filters["quantity"] = formats.quantity
    env.filters["probe"] = formats.probe
    return env
