"""`rushlight record test --picture`: the same spots as the page's, and the way out where no imaging library is."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from helpers import strippage
from helpers import strippictures as strips
from helpers.site import config_of
from rushlight.cli import strip_picture
from rushlight.cli.strip_picture import PictureError
from rushlight.settings import Kit

KIT = Kit(id="strip", pads={"nitrate": strips.PADS["nitrate"], "ph": strips.PADS["ph"]})


@pytest.fixture(scope="module")
def shot() -> strips.Shot:
    rng = np.random.default_rng(4)
    phone = strips.Phone(camera=strips.CAMERAS[1], light="LED-B3", shading=(0.2, 0.1))
    return strips.shoot(strips.Sheet.laid({"nitrate": 40.0, "ph": 7.2}, rng), phone, rng, scale=3)


def frames(shot: strips.Shot) -> list[str]:
    width, height = shot.image.size
    return [" ".join(f"{x * width},{y * height}" for x, y in f) for f in strippage.corners(shot, 3, 6)]


def test_a_pictures_spots_are_read_as_an_array_library_reads_them(shot: strips.Shot, tmp_path: Path) -> None:
    file = tmp_path / "strip.png"
    shot.image.save(file)
    got, own = strip_picture.colours(file, KIT, *frames(shot)), strips.record_of(shot)
    for name in ("nitrate", "ph"):
        assert got[name]["strip"] == pytest.approx(own[name]["strip"], abs=1.5)
        assert got[name]["paper"] == pytest.approx(own[name]["paper"], abs=1.5)
        for (value, theirs), (_, ours) in zip(got[name]["chart"], own[name]["chart"], strict=True):
            assert value in strips.PADS[name]
            assert theirs == pytest.approx(ours, abs=2.5)


def test_without_the_library_the_way_out_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "PIL", None)
    (tmp_path / "strip.jpg").write_bytes(b"")
    with pytest.raises(PictureError, match="Test page"):
        strip_picture.colours(tmp_path / "strip.jpg", KIT, None, None)


def test_colours_that_were_read_elsewhere_are_taken_as_they_are(shot: strips.Shot, tmp_path: Path) -> None:
    file = tmp_path / "colours.json"
    file.write_text(json.dumps(strips.record_of(shot)))
    assert strip_picture.colours(file, KIT, None, None) == strips.record_of(shot)


@pytest.mark.parametrize(
    ("strip", "words"),
    [
        (None, "say where"),
        ("1,2 3,4", "say where"),
        ("0,0 9,9 5,5 1,1", "say where"),
        ("-50,0 9,0 9,9 -50,9", "reaches out"),
    ],
)
def test_a_frame_that_is_none_is_refused(shot: strips.Shot, tmp_path: Path, strip: str | None, words: str) -> None:
    file = tmp_path / "strip.png"
    shot.image.save(file)
    with pytest.raises(PictureError, match=words):
        strip_picture.colours(file, KIT, strip, frames(shot)[1])


def test_the_command_takes_the_colours(shot: strips.Shot, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from helpers.site import CONFIG
    from rushlight.cli import main

    assert config_of().kit[0].id == "strip"
    (tmp_path / "config.toml").write_text(f'{CONFIG}\n[storage]\nfolder = "{tmp_path / "data"}"\n')
    (tmp_path / "colours.json").write_text(json.dumps(strips.record_of(shot)))
    words = ["record", "test", "--config", str(tmp_path / "config.toml"), "--picture", str(tmp_path / "colours.json")]
    got = CliRunner().invoke(main, [*words, "--id", "by-picture"])
    assert got.exit_code == 0, got.output
    lines = CliRunner().invoke(main, ["export", "--config", str(tmp_path / "config.toml")]).stdout.splitlines()
    (kept,) = [r for r in map(json.loads, lines) if r.get("id") == "by-picture"]
    assert kept["picture"] == strips.record_of(shot)
    wrong = CliRunner().invoke(main, ["record", "note", "text=x", *words[2:]])
    assert wrong.exit_code == 2


def test_the_command_takes_a_picture_and_where_strip_and_chart_lie_in_it(shot: strips.Shot, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from helpers.site import CONFIG
    from rushlight.cli import main

    pads = re.sub(
        r"pads = .*", f"pads = {{ nitrate = {list(strips.PADS['nitrate'])}, ph = {list(strips.PADS['ph'])} }}", CONFIG
    )
    (tmp_path / "config.toml").write_text(f'{pads}\n[storage]\nfolder = "{tmp_path / "data"}"\n')
    shot.image.save(tmp_path / "strip.png")
    where = ["--config", str(tmp_path / "config.toml")]
    strip, chart = frames(shot)
    words = ["record", "test", *where, "--picture", str(tmp_path / "strip.png"), "--id", "framed"]
    got = CliRunner().invoke(main, [*words, "--strip-frame", strip, "--chart-frame", chart])
    assert got.exit_code == 0, got.output
    lines = CliRunner().invoke(main, ["export", *where]).stdout.splitlines()
    (kept,) = [r for r in map(json.loads, lines) if r.get("id") == "framed"]
    own = strips.record_of(shot)
    assert kept["picture"]["nitrate"]["strip"] == pytest.approx(own["nitrate"]["strip"], abs=1.5)
