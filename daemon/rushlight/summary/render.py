"""A summary as text and as HTML, and the letter made of both.

Owns the templates.  The HTML is tables and inline rules that mail readers understand, uses no outside address,
and says everything without its pictures.
"""

from __future__ import annotations

import base64
import functools
import textwrap
from collections.abc import Callable

import jinja2

from rushlight.summary.build import Picture, Summary
from rushlight.summary.parcel import Letter
from rushlight.summary.raster import png

TEXT_WIDTH = 72


def subject(summary: Summary) -> str:
    """`Rowan Street library, week 48/2026: all is well`."""
    headline = summary.headline.rstrip(".")
    return f"{summary.site}, week {summary.week.name}: {headline[0].lower()}{headline[1:]}"


def as_text(summary: Summary) -> str:
    """For a reader without HTML."""
    text = _templates().get_template("summary.txt").render(s=summary)
    return "\n".join(line.rstrip() for line in text.strip().splitlines()) + "\n"


def as_html(summary: Summary, picture: Callable[[str], str] | None = None) -> str:
    """For a mail reader; `picture` gives the address of a picture by its name (default `cid:name`)."""
    address = picture if picture is not None else "cid:{}".format
    return _templates().get_template("summary.html").render(s=summary, address=address)


def as_page(summary: Summary) -> str:
    """For a file that a browser opens: the letter's HTML with its pictures inside."""
    drawn = {p.name: _inside(p) for t in summary.tanks for p in t.pictures}
    return as_html(summary, drawn.__getitem__)


def _inside(picture: Picture) -> str:
    kind, data = ("jpeg", picture.jpeg) if picture.jpeg else ("svg+xml", picture.svg.encode())
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"


def letter(summary: Summary, rasterise: Callable[[str], bytes | None] = png) -> Letter:
    """Ready to be sent; a picture that can't be made is left out and its words stay."""
    pictures = [p for t in summary.tanks for p in t.pictures]
    made = {p.name: data for p in pictures if (data := p.jpeg or rasterise(p.svg)) is not None}
    address = {name: f"cid:{name}" for name in made}
    return Letter(
        subject=subject(summary),
        text=as_text(summary),
        html=as_html(summary, lambda name: address.get(name, "")),
        pictures=made,
    )


@functools.cache
def _templates() -> jinja2.Environment:
    env = jinja2.Environment(
        loader=jinja2.PackageLoader("rushlight.summary"),
        autoescape=jinja2.select_autoescape(["html"]),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["wrapped"] = _wrapped
    return env


def _wrapped(text: str, indent: int = 0) -> str:
    """A paragraph broken into lines; the first starts where it stands, the rest are indented."""
    return textwrap.fill(text, TEXT_WIDTH - indent, subsequent_indent=" " * indent, break_long_words=False)
