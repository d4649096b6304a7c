"""The dashboard files against the dashboard program's own published types.

Source: grafana-foundation-sdk (Apache 2.0, release for Grafana 11.6), whose Python classes its makers generate from the
program's schemas.  The program itself is in neither Debian nor the package index, so no file was ever loaded into it.
"""

from __future__ import annotations

import copy
import json
import sys
import typing
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from types import UnionType
from typing import Any

import pytest
from grafana_foundation_sdk.cog import plugins
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import dashboard, prometheus

sys.path.insert(0, str(Path(__file__).parents[2] / "deploy/fleet"))

import panels

plugins.register_default_plugins()
FILES = panels.dashboards(2)


def unknown(ours: Any, theirs: Any, at: str = "") -> Iterator[str]:
    """Where ours says something that did not come back from their types."""
    if isinstance(ours, dict) and isinstance(theirs, dict):
        for key, value in ours.items():
            yield from unknown(value, theirs[key], f"{at}.{key}") if key in theirs else [f"{at}.{key}"]
    elif isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        for n, (one, other) in enumerate(zip(ours, theirs, strict=True)):
            yield from unknown(one, other, f"{at}[{n}]")
    elif ours != theirs:
        yield at


def said(theirs: Any) -> Any:
    """The JSON that their encoder makes."""
    return json.loads(JSONEncoder().encode(theirs))


def wrong(value: Any, hint: Any, at: str = "") -> Iterator[str]:
    """Where a value is not of the type that theirs has there."""
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, UnionType):
        yield from min((list(wrong(value, one, at)) for one in inside), key=len)
    elif origin is list and isinstance(value, list):
        for n, one in enumerate(value):
            yield from wrong(one, inside[0], f"{at}[{n}]")
    elif origin is dict and isinstance(value, dict):
        for key, one in value.items():
            yield from wrong(one, inside[1], f"{at}.{key}")
    elif isinstance(value, dict) and hasattr(hint, "from_json"):  # theirs leaves lists of some kinds as they came
        read = hint.from_json(copy.deepcopy(value))
        yield from [*wrong(read, hint, at), *unknown(value, said(read), at)]
    elif not fits(value, hint):
        yield f"{at}: {value!r}"
    elif type(value).__module__.startswith("grafana_foundation_sdk.models") and not isinstance(value, Enum):
        hints = typing.get_type_hints(type(value).__init__)
        for name, own in vars(value).items():
            yield from wrong(own, hints[name], f"{at}.{name}")


def fits(value: Any, hint: Any) -> bool:
    """Whether a value is of a type that has no parts."""
    if hint is Any:
        return True
    if typing.get_origin(hint) is typing.Literal:
        return value in typing.get_args(hint)
    kind = typing.get_origin(hint) or hint
    if issubclass(kind, Enum):
        return value in [e.value for e in kind]
    if kind is float:
        return type(value) in (int, float)
    return type(value) is kind if kind in (str, int, bool) else isinstance(value, kind)


def faults(made: dict[str, Any]) -> list[str]:
    """What their types do not know or have otherwise, in the dashboard and in each of its queries."""
    ours = copy.deepcopy(made)
    found = []
    for panel in ours["panels"]:
        for target in panel.pop("targets"):  # of a panel with several sources they read the targets as another kind
            theirs = prometheus.Dataquery.from_json(copy.deepcopy(target))
            found += wrong(theirs, prometheus.Dataquery, target["refId"])
            found += unknown(target, said(theirs), target["refId"])
    whole = dashboard.Dashboard.from_json(copy.deepcopy(ours))
    return [*found, *wrong(whole, dashboard.Dashboard), *unknown(ours, said(whole))]


@pytest.mark.parametrize("file", FILES)
def test_all_that_a_file_says_is_of_the_programs_types(file: str) -> None:
    assert faults(json.loads(FILES[file])) == []


@pytest.mark.parametrize(
    ("where", "what"),
    [
        ((), {"titel": "x"}),
        ((), {"refresh": 60}),
        (("panels", 0, "gridPos"), {"width": 3}),
        (("panels", 0, "gridPos"), {"w": "12"}),
        (("panels", 0, "fieldConfig", "defaults"), {"units": "mg/L"}),
        (("panels", 0, "targets", 0), {"query": "up"}),
        (("panels", 0, "targets", 0), {"format": "tables"}),
        (("panels", 0, "targets", 0), {"expr": 1}),
        (("templating", "list", 0), {"type": "data source"}),
        (("templating", "list", 0), {"refresh": 9}),
    ],
)
def test_a_word_that_the_program_does_not_know_is_found(where: tuple[Any, ...], what: dict[str, Any]) -> None:
    made = json.loads(FILES["dashboards/history.json"])
    place = made
    for step in where:
        place = place[step]
    place.update(what)
    assert len(faults(made)) == 1


@pytest.mark.parametrize("file", FILES)
def test_every_source_is_a_variable_and_no_two_panels_lie_on_each_other(file: str) -> None:
    made = json.loads(FILES[file])
    named = {f"${{{v['name']}}}" for v in made["templating"]["list"] if v["type"] == "datasource"}
    asked = [t["datasource"]["uid"] for p in made["panels"] for t in p["targets"]]
    asked += [v["datasource"]["uid"] for v in made["templating"]["list"] if v["type"] == "query"]
    assert set(asked) == named
    taken = [
        (g["x"] + x, g["y"] + y)
        for g in (p["gridPos"] for p in made["panels"])
        for x in range(g["w"])
        for y in range(g["h"])
    ]
    assert len(taken) == len(set(taken))
    assert max(x for x, _ in taken) < 24  # the program's grid is 24 wide (its dashboard JSON model)
    assert len({p["id"] for p in made["panels"]}) == len(made["panels"])
