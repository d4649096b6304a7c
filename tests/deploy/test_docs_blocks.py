"""The pages as text: no block that nobody plays, no option that does not exist, no link into nothing, cautions in place.

Which test plays which blocks stands in `PLAYED`; a page that gains a block of another kind fails here until somebody
plays it.  The players take their blocks from the page, so a block of a kind that they know is played at once.
"""

from __future__ import annotations

import argparse
import dataclasses
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from helpers import pages
from helpers.daemon import LIBRARY, STRIP
from helpers.pages import DEPLOY, PAGES, ROOT, Step, steps
from rushlight.cli import main
from rushlight.config import loading
from rushlight.settings import Push

DRILL = "deploy/test_docs_commands.py::test_the_owners_path_and_the_way_back_after_a_dead_card"
DESK = "deploy/test_docs_commands.py::test_commands_of_the_pages_work_at_the_desk"
FLEET = "deploy/test_docs_fleet.py::test_the_pages_blocks_in_order"
TABLES = "deploy/test_docs_blocks.py::test_every_table_of_a_page_is_taken_as_configuration"
PLAYED: dict[tuple[str, str], str] = {
    ("install.md", "run"): DRILL,
    ("install.md", "by-hand"): DRILL,
    ("install.md", "toml"): TABLES,
    ("install.md", "on-another-computer"): "helpers/machines.py::wheels",
    ("hub.md", "run"): DRILL,
    ("hub.md", "toml"): DRILL,
    ("hub.md", "json"): "outlets/test_hub_docs.py::test_a_command_of_the_page_is_taken",
    ("hardware.md", "run"): DESK,
    ("hardware.md", "with-broker"): DRILL,
    ("hardware.md", "with-board"): DRILL,
    ("hardware.md", "toml"): TABLES,
    ("recovery.md", "run"): DRILL,
    ("timeseries.md", "run"): DESK,
    ("timeseries.md", "toml"): DESK,
    ("timeseries.md", "promql"): "outlets/test_timeseries_docs.py::test_a_query_of_the_page_works",
    ("fleet.md", "run"): FLEET,
    ("fleet.md", "at-a-pi"): FLEET,
    ("fleet.md", "later"): FLEET,
    ("fleet.md", "toml"): TABLES,
}
NOT_PLAYED = {"on-the-pi": "needs the hardware of a real Pi", "drawing": "nothing to be done"}
HARDWARE = r"/boot/firmware|/sys/|/dev/serial|timedatectl set|iw dev"


def unplayed(found: list[Step]) -> list[Step]:
    """Blocks that are neither played by a test nor marked as what can't be."""
    return [s for s in found if s.kind not in NOT_PLAYED and (s.page, s.kind) not in PLAYED]


@pytest.mark.parametrize("page", [p for p in PAGES if p.name != "README.md"], ids=lambda p: p.name)
def test_every_block_is_played_or_marked(page: Path) -> None:
    found = [s for s in steps(page) if s.kind != "by hand"]
    assert unplayed(found) == []
    for step in found:
        if step.kind == "on-the-pi":
            assert re.search(HARDWARE, step.text), f"marked as what needs hardware, and needs none: {step.text}"


@pytest.mark.parametrize(
    "block", ["```bash\nls\n```", "```sh not-now\nls\n```", "   ~~~~python\nprint()\n   ~~~~", "```yaml\na: 1\n```"]
)
def test_a_block_that_nobody_plays_is_noticed(tmp_path: Path, block: str) -> None:
    page = tmp_path / "install.md"
    page.write_text(f"# Steps\n\n```sh\nls\n```\n\n{block}\n")
    [left] = unplayed(steps(page))
    assert left.text.strip() in block


def test_a_block_without_an_end_is_noticed(tmp_path: Path) -> None:
    page = tmp_path / "install.md"
    page.write_text("```sh\nls\n")
    with pytest.raises(ValueError, match="without an end"):
        steps(page)


def test_whoever_is_said_to_play_a_block_is_there() -> None:
    of_pages = {(s.page, s.kind) for p in PAGES for s in steps(p)}
    assert not PLAYED.keys() - of_pages, "no such block any more"
    for (page, _), player in PLAYED.items():
        file, _, name = player.partition("::")
        source = (ROOT / "tests" / file).read_text()
        assert f"def {name}(" in source
        assert page in source or page.removesuffix(".md") in source, f"{file} does not read {page}"


SHELL = [
    s
    for p in PAGES
    for s in steps(p)
    if s.kind in pages.MEANING and s.kind not in {"toml", "json", "promql", "drawing"}
]


@pytest.mark.parametrize("step", SHELL, ids=lambda s: f"{s.page} {s.text[:40]}")
def test_every_block_is_well_formed_shell(step: Step) -> None:
    done = subprocess.run(["bash", "-n"], input=step.text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


TOML = [s for p in PAGES for s in steps(p) if s.kind == "toml"]
BASE = (LIBRARY + '[[tank]]\nid = "reading-room"\nlitres = 54\n' + STRIP).format()


@pytest.mark.parametrize("step", TOML, ids=lambda s: f"{s.page} {s.text[:24]}")
def test_every_table_of_a_page_is_taken_as_configuration(step: Step) -> None:
    """Those of install, hardware and fleet.md; fleet's stands in the part that a parcel brings, which has an address."""
    text = step.text
    if step.page == "fleet.md":
        text += '\nurl = "https://hub.example.org:8427"\norg = "fleet"\nbucket = "fleet"\ntoken = "x"\n'
    loading.check(loading.parse(BASE + text))


# ---------------------------------------------------------------------- options


def _words(text: str) -> Iterator[list[str]]:
    """The commands of a text one by one, without what only says as whom."""
    for row in re.split(r"&&|\|\|?|;|\n", re.sub(r"\\\n", " ", text)):
        try:
            words = shlex.split(row, comments=True)
        except ValueError:  # a text in quotes that holds one of these signs
            continue
        while words and words[0] in {"sudo", "bash"}:
            words = words[1:]
        if words:
            yield words


def _options(command: click.Command, words: list[str]) -> set[str]:
    """The options that a command of ours takes."""
    given = [w for w in words if not w.startswith("-")]
    while isinstance(command, click.Group) and given:
        inner = command.get_command(click.Context(command), given.pop(0))
        if inner is None:
            break
        command = inner
    return {o for p in command.params for o in (*p.opts, *p.secondary_opts)}


def _fleet(words: list[str]) -> set[str]:
    sys.path.insert(0, str(DEPLOY / "fleet"))
    loader: dict[str, object] = {"__name__": "fleet"}
    exec(compile((DEPLOY / "fleet/__main__.py").read_text(), "fleet", "exec"), loader)
    parser = loader["_parser"]()  # type: ignore[operator]
    [commands] = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return {o for a in commands.choices[words[0]]._actions for o in a.option_strings}


def _install() -> set[str]:
    told = subprocess.run(["bash", DEPLOY / "install.sh", "--help"], capture_output=True, text=True, check=True).stdout
    return set(re.findall(r"^  (--[a-z-]+)", told, re.MULTILINE))


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_option_in_the_page_is_one_the_command_has(page: Path) -> None:
    for text in [*(s.text for s in steps(page) if s.kind in pages.MEANING), *pages.inline_commands(page)]:
        for words in _words(text):
            options = {w.split("=")[0] for w in words[1:] if w.startswith("--")}
            match words[0]:
                case "rushlight":
                    known = _options(main, words[1:])
                case "fleet":
                    known = _fleet(words[1:])
                case "deploy/install.sh":
                    known = _install()
                case _:
                    continue
            assert options <= known, words


def test_every_option_of_the_installation_stands_in_a_page() -> None:
    options = _install()
    told = "".join(page.read_text() for page in PAGES)
    assert len(options) > 5
    assert {o for o in options if not re.search(rf"{o}\b", told)} == set()


# ---------------------------------------------------------------------- links and cautions


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize(
    "page", [p for p in PAGES if p.name not in {"electrical-safety.md", "alarms.md"}], ids=lambda p: p.name
)
def test_safety_is_linked_from_everywhere(page: Path) -> None:
    head = "\n".join(page.read_text().splitlines()[:40])
    assert "electrical-safety.md" in head


def test_cautions_stand_where_hands_and_wires_go() -> None:
    """Not at the end of another page: beside the sentence that sends a hand there."""
    hardware = re.sub(r"\s+", " ", (DEPLOY / "hardware.md").read_text())
    [wiping] = re.findall(r"[^.]*[Ww]ipe it[^.]*\.", hardware)
    assert "lamp unplugged first" in wiping
    electrode = hardware.split("**pH electrode.**")[1][:400]
    assert "3.3 V and no more" in electrode and "electrical-safety.md" in electrode
    safety = (DEPLOY / "electrical-safety.md").read_text()
    assert "5 V meets 3.3 V" in safety
    sheets = re.findall(r"^\| (.*?) \| (.*?) \| (.*?) \|$", safety.split("## What was read")[1], re.MULTILINE)[1:]
    assert len(sheets) >= 6
    for about, by, edition in sheets:
        dated = re.search(r"(?i)rev|v\d\.\d", edition) or "not" in edition
        assert dated, f"{about}, {by}: which edition, or that none is shown"
    assert all(word in safety for word in ("licensed electrician", "electrical code where you live", "Not checked"))


def test_the_page_says_which_app_and_where_server_and_topic_stand() -> None:
    """Step 8; that the guide shows both is tested in guide/test_setup.py, and where they are written here by the table."""
    text = re.sub(r"\s+", " ", (DEPLOY / "install.md").read_text())
    step = text.split(" 8. **Your phone.**")[1].split(" 9. **")[0]
    assert "*ntfy*" in step and "the app of that name" in step
    assert "a JSON message posted to the server's address" in step
    assert "`[push]`" in step and {"server", "topic"} <= {f.name for f in dataclasses.fields(Push)}


def test_the_hubs_page_holds_no_count_that_ages() -> None:
    assert not re.search(r"\d+ (descriptions|entities)", (DEPLOY / "hub.md").read_text())
