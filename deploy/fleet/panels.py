"""Dashboards from one description, `panels.toml`: a page that the rule engine serves itself, and files to import.

Owns both forms.  The page is a console template of the rule engine (Go's html/template: what a label says is escaped
by it); the files are in the common dashboard program's own JSON.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

DESCRIPTION = Path(__file__).with_name("panels.toml")

_HEAD = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="60"><title>Wall of sites</title>
<style>
body { font: 16px/1.4 sans-serif; margin: 1rem; }
main { display: grid; gap: 1.5rem; grid-template-columns: repeat(auto-fill, minmax(24rem, 1fr)); }
table { border-collapse: collapse; width: 100%; }
th, td { border-bottom: 1px solid; padding: .2rem .5rem; text-align: left; }
td:last-child, th:last-child { text-align: right; }
</style></head><body><h1>Wall of sites</h1>
<p>Estimates, not a substitute for testing. The keepers' own Pis wake the keepers; this page wakes nobody.</p><main>
"""


def description() -> list[dict[str, Any]]:
    """The panels, top to bottom."""
    return list(tomllib.loads(DESCRIPTION.read_text("utf-8"))["panel"])


def queries(panel: dict[str, Any]) -> list[str]:
    """One or several."""
    found = panel["query"]
    return [found] if isinstance(found, str) else list(found)


def console() -> str:
    """The page."""
    return _HEAD + "".join(map(_section, (p for p in description() if p["from"] == "wall"))) + "</main></body></html>\n"


def _section(panel: dict[str, Any]) -> str:
    [query] = queries(panel)
    rows = f"query {json.dumps(query)}"
    if "by" in panel:
        rows += f" | sortByLabel {json.dumps(panel['by'])}"
    heads = "".join(f"<th>{name}</th>" for name in (*panel["labels"], panel["value"]))
    cells = "".join(f"<td>{{{{ .Labels.{name} }}}}</td>" for name in panel["labels"])
    return (
        f"<section><h2>{panel['title']}</h2><table><tr>{heads}</tr>\n{{{{ range {rows} }}}}<tr>{cells}"
        f'<td>{{{{ printf "%.3g" .Value }}}}</td></tr>\n{{{{ else }}}}<tr><td colspan="{len(panel["labels"]) + 1}">none'
        "</td></tr>\n{{ end }}</table></section>\n"
    )


def dashboards(shards: int) -> dict[str, str]:
    """File name to content."""
    wall = [p for p in description() if p["from"] == "wall"]
    history = [p for p in description() if p["from"] == "history"]
    member = {
        "name": "member",
        "type": "query",
        "datasource": {"type": "prometheus", "uid": "${wall}"},
        "query": "label_values(fleet:member, member)",
        "refresh": 2,
        "multi": True,
        "includeAll": True,
        "allValue": ".*",
        "current": {"text": "All", "value": "$__all"},
    }
    stores = [f"history_{n}" for n in range(shards)]
    return {
        "dashboards/wall.json": _dashboard("fleet-wall", "Wall of sites", wall, ["wall"], [], ["wall"]),
        "dashboards/history.json": _dashboard(
            "fleet-history", "One installation's history", history, stores, [member], ["wall", *stores]
        ),
    }


def _dashboard(
    uid: str, title: str, panels: list[dict[str, Any]], asked: list[str], more: list[Any], sources: list[str]
) -> str:
    variables = [{"name": name, "type": "datasource", "query": "prometheus", "label": name} for name in sources]
    made = {
        "uid": uid,
        "title": title,
        "schemaVersion": 36,
        "editable": True,
        "timezone": "browser",
        "refresh": "1m",
        "time": {"from": "now-90d" if more else "now-6h", "to": "now"},
        "templating": {"list": variables + more},
        "panels": [_panel(n, panel, asked) for n, panel in enumerate(panels)],
    }
    return json.dumps(made, indent=1) + "\n"


def _panel(n: int, panel: dict[str, Any], sources: list[str]) -> dict[str, Any]:
    """A table of this moment, or lines over time with a target for every query and shard."""
    table = panel["from"] == "wall"
    legend = " ".join(f"{{{{{name}}}}}" for name in panel["labels"])
    targets = [
        {
            "refId": f"{chr(65 + q)}{s}",
            "datasource": {"type": "prometheus", "uid": f"${{{source}}}"},
            "expr": query,
            "instant": table,
            "range": not table,
            "format": "table" if table else "time_series",
            "legendFormat": legend,
        }
        for q, query in enumerate(queries(panel))
        for s, source in enumerate(sources)
    ]
    mixed = {"type": "datasource", "uid": "-- Mixed --"}
    made: dict[str, Any] = {
        "id": n + 1,
        "type": "table" if table else "timeseries",
        "title": panel["title"],
        "datasource": targets[0]["datasource"] if len(sources) == 1 else mixed,
        "gridPos": {"h": 8, "w": 12, "x": 12 * (n % 2), "y": 8 * (n // 2)},
        "fieldConfig": {"defaults": {"unit": panel["unit"]}, "overrides": []},
        "targets": targets,
    }
    if table:
        order = {name: place for place, name in enumerate((*panel["labels"], "Value"))}
        names = {"Value": panel["value"]}
        shown = {"indexByName": order, "excludeByName": {"Time": True}, "renameByName": names}
        made["transformations"] = [{"id": "organize", "options": shown}]
    return made
