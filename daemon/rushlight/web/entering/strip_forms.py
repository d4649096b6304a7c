"""What a test's form may hold beside its values: a picture's colours, a thinned sample; and which pads have a chart.

Owns these fields' names and words of complaint.  The colours come from the browser, which keeps the picture.  Pure.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from rushlight.science.inference.interval import strip_span
from rushlight.settings import Kit
from rushlight.web.entering.fields import FieldError, number, text
from rushlight.web.serving.guard import CAMERA_HERE

CUPS = {"3+1": (3, 1), "2+1": (2, 1), "1+1": (1, 1), "1+2": (1, 2), "1+3": (1, 3)}
"""Tank water and other water, in equal cups."""
IN_THE_PAGE = ", camera in the page"
_LONGEST = 20_000


def camera_headers(kit: Kit) -> list[tuple[str, str]]:
    """The camera may be asked for where a strip of this kit can be read from a picture, and nowhere else."""
    return [CAMERA_HERE] if kit.method == "strip" and charted(kit) else []


def charted(kit: Kit) -> dict[str, list[float]]:
    """The substances that have a row of fields on the chart, with its values."""
    return {str(k): list(v) for k, v in kit.pads.items() if len(v) > 1}


def between(kit: Kit, substance: str) -> list[tuple[float, float, str]]:
    """Each pad but the last, the next one, and the value that stands for 'between the two': where they meet."""
    pads = kit.pads.get(substance, ())  # type: ignore[call-overload]
    borders = [strip_span(a, pads).high for a in pads[:-1]]
    return [(a, b, f"{c:.3g}") for a, b, c in zip(pads, pads[1:], borders, strict=False) if c is not None]


def picture(form: Mapping[str, str], device: str) -> dict[str, Any]:
    """`picture` and `device`, if a picture was read.  Raises FieldError.

    What a page's own view of the camera shows has another tone and white balance than the same phone's photograph, so
    it counts as another device.
    """
    sent = form.get("picture", "").strip()
    if not sent:
        return {}
    try:
        found = json.loads(sent) if len(sent) <= _LONGEST else None
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise FieldError("picture", "the colours did not arrive whole; take the picture again")
    if form.get("camera") == "page":
        device = f"{device or 'a phone'}{IN_THE_PAGE}"
    return {"picture": found, **({"device": device} if device else {})}


def thinned(form: Mapping[str, str], names: list[str]) -> dict[str, Any]:
    """`dilution` and `dilution_source`, if the sample was thinned.  Raises FieldError."""
    cups = text(form, "cups", 10)
    if not cups:
        return {}
    if cups not in CUPS:
        raise FieldError("cups", "choose one")
    tank, other = CUPS[cups]
    water = number(form, "cup_water", most=500)
    source = {"nitrate": water} if water and "nitrate" in names else {}
    return {"dilution": (tank + other) / tank, **({"dilution_source": source} if source else {})}
