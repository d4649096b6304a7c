"""The page for checking a kit: how to make a known solution, and what the kit reads in it.

Owns the form and the recipe's words.  The arithmetic is `science.chemistry.solutions`; what it means the core says.
One solution is one entry: each dip is saved by itself, so that nothing is lost when a phone is put down.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from rushlight.entry import entered
from rushlight.localunits import METRIC, Units
from rushlight.science.chemistry import solutions
from rushlight.science.chemistry.solutions import Solution
from rushlight.science.measuring.units import from_standard
from rushlight.settings import Kit, Tank
from rushlight.web.entering import entries, strip_forms, writing
from rushlight.web.entering.fields import FieldError, chosen, in_record, number, text
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import Response, redirect

HALVINGS = 4
_SALTS = {name: name.capitalize() for name in solutions.NITRATE_OF_SALT}
_DEFAULT = {"salt": "potassium nitrate", "grams": "0.5", "litres": "5", "purity": "100", "scale_g": "0.01"}


def defaults(units: Units) -> dict[str, str]:
    """The recipe before anything was asked: five litres, or one of the site's gallons."""
    return _DEFAULT if units.word("L") == "L" else _DEFAULT | {"litres": "1"}


@dataclass(frozen=True, slots=True)
class Step:
    """One solution of the recipe."""

    how: str
    mg_l: float
    error_percent: float

    @property
    def value(self) -> str:
        """For the form's field."""
        return f"{self.mg_l:.1f}"


def recipe(form: Mapping[str, str], water: float | None, units: Units = METRIC) -> list[Step]:
    """The first solution and its halvings.  Raises FieldError."""
    form = defaults(units) | {k: v for k, v in form.items() if v.strip()}
    form = in_record(form, {"litres": "volume", "grams": "mass", "scale_g": "mass"}, units)
    salt = chosen(form, "salt", _SALTS)
    grams = number(form, "grams", least=0.001, most=1000) or 0.0
    litres = number(form, "litres", least=0.01, most=1000) or 0.0
    purity = number(form, "purity", least=1, most=100) or 100.0
    scale_g = number(form, "scale_g", least=0.0001, most=10) or 0.01
    own = number(form, "water", most=500)
    own = (water or 0.0) if own is None else own
    first = solutions.dissolved(grams, litres, salt, purity / 100.0, own, scale_g)
    found = [_step(f"{grams:g} g in {units.say(litres, 'L', 'g')}", first)]
    for n in range(1, HALVINGS + 1):
        again = "half of it" if n == 1 else "half of that again"
        found.append(_step(f"{again} and as much water", solutions.halved(first, own, n)))
    return found


def _step(how: str, made: Solution) -> Step:
    return Step(how, made.mg_l, 100.0 * made.error)


def screen(asked: PageRequest, tank_id: str) -> Response:
    """The recipe, and the form for one solution."""
    tank, form = asked.tank(tank_id), asked.request.form
    kit = writing.kit_of(asked, tank)
    if asked.request.method != "POST":
        return _page(asked, tank, kit, {}, {})
    try:
        record = {
            "at": writing.at_of(asked),
            "kind": "kit_check",
            "id": writing.form_id(asked),
            **check_record(form, kit, asked.device.name if asked.device else "", asked.units),
        }
        event = writing.checked(asked, record)
    except FieldError as e:
        return _page(asked, tank, kit, form, {e.name: e.what}, entry_id=writing.form_id(asked))
    receipt = asked.daemon.submit(event)
    return redirect(f"/tanks/{tank.id}/kit-check?kit={kit.id}&done={receipt.id}")


def check_record(form: Mapping[str, str], kit: Kit, device: str, units: Units = METRIC) -> dict[str, Any]:
    """A check of one solution.  Raises FieldError."""
    substance = chosen(form, "substance", entered.NAMES)
    held = number(form, "held", least=0.001, most=10_000)
    if held is None:
        raise FieldError("held", "what was in the water?")
    # What was weighed in is told as the recipe has it; what was read, as the box has it.
    own = kit.unit(substance)
    held = units.in_record(held, substance) if substance in ("kh", "gh") else held
    standard: dict[str, Any] = {"substance": substance, "value": from_standard(substance, held, own)}
    standard |= {"unit": own} if own else {}
    given = form.get(substance, "").strip()
    if given:
        bound = given[0] if given[0] in "<>" else ""
        read = number({substance: given.removeprefix(bound)}, substance, most=100_000)
        standard["read"] = f"{bound}{read!r}" if bound else read
    seen = strip_forms.picture(form, device)
    if seen:
        standard["picture"] = seen["picture"]
    if "read" not in standard and not seen:
        raise FieldError(substance, "what did the kit read? Tap a pad, type a number, or read a picture")
    pack = text(form, "pack", 60)
    named = {"device": seen["device"]} if "device" in seen else {}
    return {"kit": kit.id, "standards": [standard], **({"pack": pack} if pack else {}), **named}


def _page(
    asked: PageRequest,
    tank: Tank,
    kit: Kit,
    form: Mapping[str, str],
    faults: Mapping[str, str],
    *,
    entry_id: str = "",
) -> Response:
    query, water = asked.request.query, tank.source_water.get("nitrate")
    own = defaults(asked.units) | {"water": f"{water:g}" if water is not None else "0"}
    steps: list[Step] = []
    try:
        steps = recipe(query, water, asked.units)
    except FieldError as e:
        faults = {**faults, e.name: e.what}
    response = asked.page(
        "kit_check.html",
        f"Check of the kit {kit.id}",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        tank=tank,
        t=asked.tank_view(tank.id),
        kit=kit,
        kits=asked.config.kit,
        names=entered.NAMES,
        units=writing.kit_words(kit, asked.units),
        substances=entries.substances(kit),
        charted=strip_forms.charted(kit),
        salts=_SALTS,
        recipe=own | {k: v for k, v in query.items() if v},
        steps=steps,
        form=form,
        faults=faults,
        done=query.get("done", ""),
        entry_id=entry_id or writing.new_id(),
        now_local=writing.local_of(asked),
    )
    response.headers += strip_forms.camera_headers(kit)
    return response
