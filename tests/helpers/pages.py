"""The owner's pages taken apart: every fenced block, in the order of the page, and what is done by hand between them.

What stands behind the three backticks says what becomes of a block.  `sh` alone is typed as it stands, and the kinds of
`MEANING` are for what needs something; other languages are kinds by their own names.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
PAGES = [ROOT / "README.md", *sorted(DEPLOY.glob("*.md"))]

MEANING = {
    "run": "typed, in the order of the page",
    "by-hand": "asks questions, which are answered",
    "with-broker": "typed once there is a broker",
    "with-board": "typed once there is a wireless board",
    "later": "typed once the rest of its page is there",
    "at-a-pi": "typed on a Pi, where the page is for another machine",
    "on-another-computer": "typed beside the Pi",
    "on-the-pi": "not typed: needs the hardware of a real Pi",
    "toml": "put into the configuration",
    "json": "sent to the hub's door, or what it answers",
    "promql": "asked of a real store",
    "drawing": "nothing to be done",
}


@dataclass(frozen=True)
class Step:
    """A block with the heading that it stands under, or what is done by hand (`kind` is then `by hand`)."""

    page: str
    heading: str
    kind: str
    text: str


def steps(page: Path) -> list[Step]:
    """The page's blocks and hand work, top to bottom.  Raises ValueError for a block without an end."""
    found, heading = [], ""
    rows = iter(page.read_text().splitlines())
    for row in rows:
        if row.startswith("#"):
            heading = row.lstrip("# ")
        elif match := re.fullmatch(r"\s*<!-- by hand: (.*) -->", row):
            found.append(Step(page.name, heading, "by hand", match[1]))
        elif match := re.fullmatch(r"(\s*)(`{3,}|~{3,})\s*(.*)", row):
            found.append(Step(page.name, heading, _kind(match[3].strip()), _block(rows, match[1], match[2])))
    return found


def _kind(said: str) -> str:
    language, _, of = said.partition(" ")
    if not said:
        return "drawing"
    return (of or "run") if language == "sh" else said


def _block(rows: object, indent: str, fence: str) -> str:
    inside = []
    for row in rows:  # type: ignore[attr-defined]
        if row.strip() == fence:
            return "\n".join(inside)
        inside.append(row.removeprefix(indent))
    raise ValueError(f"a block without an end: {inside[:1]}")


def blocks(page: str) -> list[Step]:
    """The blocks of a page alone, by its name."""
    path = ROOT / page if page == "README.md" else DEPLOY / page
    return [s for s in steps(path) if s.kind != "by hand"]


def inline_commands(page: Path) -> list[str]:
    """Commands in the running text, between single backticks and perhaps over two lines."""
    text = re.sub(r"(?ms)^\s*```.*?^\s*```$", "", page.read_text())
    spans = (re.sub(r"\s+", " ", s) for s in re.findall(r"`([^`]+)`", text))
    return [s for s in spans if re.match(r"(sudo )?(rushlight|fleet|bash deploy/\S+) \S", s)]
