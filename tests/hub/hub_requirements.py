"""Prints what the hub's built-in parts need, so that it can be started without fetching anything itself.

Runs in the hub's own environment.  Two packages for voice need a compiler and are left out.
"""

from __future__ import annotations

import json
from pathlib import Path

import homeassistant
from homeassistant import bootstrap

PARTS = {"mqtt", "api", "config", "onboarding", "http", "isal", "system_log"}
LEFT_OUT = ("pymicro-vad", "pyspeex-noise")

folder = Path(homeassistant.__file__).parent / "components"
todo = sorted(bootstrap.DEFAULT_INTEGRATIONS | bootstrap.CORE_INTEGRATIONS | PARTS)
seen: set[str] = set()
needed = {"aiohasupervisor"}
while todo:
    part = todo.pop()
    manifest = folder / part / "manifest.json"
    if part in seen or not manifest.exists():
        continue
    seen.add(part)
    said = json.loads(manifest.read_text())
    needed |= set(said.get("requirements", []))
    todo += said.get("dependencies", [])
print("\n".join(sorted(n for n in needed if not n.startswith(LEFT_OUT))))
