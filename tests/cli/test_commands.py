"""The commands as an owner meets them: help with examples, errors that say what to do, exit statuses."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from helpers.daemon import RUSHLIGHT
from helpers.site import CONFIG, lines_of
from rushlight.cli import _COMMANDS, main
from rushlight.clock import SystemClock
from rushlight.journal.recovery import backup
from rushlight.service.starting import claim

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


def run(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*RUSHLIGHT, *words], capture_output=True, text=True, timeout=60, check=False, cwd=cwd)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "config.toml"
    file.write_text(f'{CONFIG}\n[storage]\nfolder = "{tmp_path / "data"}"\n')
    return file


@pytest.mark.parametrize("command", _COMMANDS)
def test_every_command_has_help_with_an_example_and_its_exit_statuses(command: str) -> None:
    text = CliRunner().invoke(main, [command, "--help"]).output
    assert f"rushlight {command}" in text.split("Options:")[0].split("\n\n", 1)[1]
    assert "Exit status:" in text


@pytest.mark.parametrize("command", _COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert (
        f"rushlight {command}" in (ROOT / "README.md").read_text() or f"`{command}`" in (ROOT / "README.md").read_text()
    )


def test_a_bad_configuration_is_told_whole_and_nothing_is_written(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(
        f'[site]\nnme = "x"\n[[tank]]\nid = "a"\nlitres = "3"\n[storage]\nfolder = "{tmp_path / "data"}"\n'
    )
    before = sorted(tmp_path.rglob("*"))
    got = run("run", "--config", str(tmp_path / "config.toml"))
    assert got.returncode == 2
    for words in (
        "site.nme: unknown key; did you mean 'name'?",
        "tank[0].litres: expected a number",
        "kit: is missing",
    ):
        assert words in got.stderr
    assert sorted(tmp_path.rglob("*")) == before


def test_without_a_configuration_the_way_out_is_said(tmp_path: Path) -> None:
    got = run("check", cwd=tmp_path)
    assert got.returncode == 2
    assert "config.example.toml" in got.stderr


def test_without_a_daemon_status_says_how_to_start_it(config: Path) -> None:
    got = run("status", "--config", str(config))
    assert got.returncode == 1
    assert "rushlight run" in got.stderr


def test_an_entry_is_kept_without_a_daemon_and_found_in_the_export(config: Path) -> None:
    words = ("record", "test", "--config", str(config), "--tank", "foyer", "nitrate=25", "ph=7.0", "--id", "one")
    assert run(*words).stdout.strip() == "one"
    assert "there already" in run(*words).stdout
    exported = [json.loads(line) for line in run("export", "--config", str(config)).stdout.splitlines()]
    assert [(e["kind"], e["values"]) for e in exported] == [("test", {"nitrate": 25.0, "ph": 7.0})]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("test", "nitrate=lots"), "nitrate: expected a number"),
        (("test", "nitrat=25"), "did you mean 'nitrate'?"),
        (("test", "--tank", "foyr", "nitrate=25"), "did you mean 'foyer'?"),
        (("feeding", "gram=1"), "did you mean 'grams'?"),
        (("water_change", "fraction=30"), "less than or equal to 1"),
        (("test", "nitrate=25", "--at", "yesterday"), "--at: expected"),
        (("test", "nitrate=25", "--at", "2126-03-01"), "lies in the future"),
        (("test", "nitrate=25,5"), "write decimals with a point"),
        (("test", "ph=70"), "expected a number from 0 to 14"),
        (("test", "nitrate=99999"), "expected a number from 0 to 1000"),
        (("note", "text= "), "text: is missing"),
        (("test", "gh=8 degrees"), "degrees"),
        (("calibration", "--probe", "foyer-ph", "7"), "expected STANDARD=READ"),
        (("calibration", "--probe", "foyer-ph", "6.86=6.9@60", "4.01=4.0@60"), "refused: a standard at 60 °C"),
        (("calibration", "--probe", "foyer-ph", "6.86=6.9@24", "4.01=6.8@24"), "refused"),
    ],
)
def test_a_wrong_entry_is_refused_with_the_reason(config: Path, words: tuple[str, ...], said: str) -> None:
    got = run("record", *words, "--config", str(config))
    assert got.returncode == 2
    assert said in got.stderr
    assert not re.search(r"\b(values|units|line)[.:]", got.stderr), "that stands in a file; nobody typed it"
    assert not (config.parent / "data").exists()


def test_an_entry_is_taken_back_by_its_id_and_no_other(config: Path) -> None:
    run("record", "note", "--config", str(config), "text=x", "--id", "one")
    assert run("record", "correction", "--config", str(config), "of=one", "void=true").returncode == 0
    wrong = run("record", "correction", "--config", str(config), "of=two", "void=true")
    assert (wrong.returncode, "no entry 'two'" in wrong.stderr) == (2, True)


def test_late_entries_and_units(config: Path) -> None:
    run("record", "test", "--config", str(config), "method=lab", "nitrate=5.65 mg/L N", "--at", "2026-03-01 18:30")
    run("record", "water_change", "--config", str(config), "litres=30", "--note", "x")
    run("record", "water_change", "--config", str(config), "fraction=30%", "--at", "2026-03-02 18:30")
    exported = [json.loads(line) for line in run("export", "--config", str(config)).stdout.splitlines()]
    assert exported[1]["fraction"] == 0.3
    assert exported[0]["at"] == "2026-03-01T18:30:00Z"
    assert exported[0]["units"] == {"nitrate": "mg/L N"}
    assert exported[0]["received_at"] > exported[0]["at"]


def test_export_import_backup_restore_round_trip(config: Path, tmp_path: Path) -> None:
    events = tmp_path / "events.jsonl"
    events.write_text("\n".join(lines_of("foyer-ph", [7.0, 7.1, 7.2], start="2026-03-01T00:00:00Z", every_s=60)) + "\n")
    assert run("import", "--config", str(config), str(events)).stdout.strip() == "3 new"
    first = run("export", "--config", str(config)).stdout
    copy = run("backup", "--config", str(config)).stdout.strip()
    assert Path(copy).exists()
    refused = run("restore", "--config", str(config), copy)
    assert refused.returncode == 1
    assert "exists" in refused.stderr
    assert run("restore", "--replace", "--config", str(config), copy).returncode == 0
    assert run("export", "--config", str(config)).stdout == first
    assert len(first.splitlines()) == 3


def test_without_a_name_the_newest_backup_is_restored(config: Path) -> None:
    where = ("--config", str(config))
    nothing = run("restore", "--replace", *where)
    assert nothing.returncode == 1
    assert "there is no backup in" in nothing.stderr
    folder = config.parent / "data/backups"
    for n, grams in enumerate((0.5, 0.7)):
        run("record", "feeding", f"grams={grams}", *where)
        Path(run("backup", *where).stdout.strip()).rename(folder / f"journal-2026030{n + 1}T033000Z.sqlite")
    run("record", "feeding", "grams=0.9", *where)
    got = run("restore", "--replace", *where)
    assert got.stdout.startswith("journal-20260302T033000Z.sqlite: restored 2 entries"), got.stdout + got.stderr
    assert [json.loads(row)["grams"] for row in run("export", *where).stdout.splitlines()] == [0.5, 0.7]


def test_pictures_go_with_export_import_backup_and_restore(config: Path, tmp_path: Path) -> None:
    from helpers.diarypages import picture
    from rushlight.journal.pictures.kept import Pictures

    name = Pictures(tmp_path / "data").keep(picture(1))
    where = ("--config", str(config))
    run("record", "growth", *where, "--tank", "foyer", "cover=0.3", f"picture={name}", "--id", "one")
    out, stick = tmp_path / "out", tmp_path / "stick"
    out.mkdir()
    stick.mkdir()
    lines = run("export", "--pictures", str(out), *where).stdout
    copy = run("backup", "--to", str(stick), *where).stdout.strip()
    for file in (tmp_path / "data").rglob("*.jpg"):
        file.unlink()
    assert run("restore", "--replace", *where, copy).stdout.count("1 picture with them") == 1
    assert Pictures(tmp_path / "data").read(name) == picture(1)
    shutil.rmtree(tmp_path / "data")
    (tmp_path / "lines.jsonl").write_text(lines)
    assert run("import", "--pictures", str(out), *where, str(tmp_path / "lines.jsonl")).stdout.strip() == "1 new"
    assert Pictures(tmp_path / "data").read(name) == picture(1)


def test_a_power_cut_is_answered_with_first_aid_and_the_bare_id_on_standard_output(config: Path) -> None:
    got = run("record", "outage", "minutes=600", "--id", "cut", "--config", str(config))
    assert (got.returncode, got.stdout.strip()) == (0, "cut")
    assert "See that the pump runs and the surface moves, and give no food today." in got.stderr


def test_a_copy_goes_to_no_stick_that_is_not_mounted(config: Path, tmp_path: Path) -> None:
    run("record", "feeding", "grams=0.9", "--config", str(config))
    stick = tmp_path / "stick/rushlight"
    got = run("backup", "--to", str(stick), "--config", str(config))
    assert got.returncode == 1
    assert f"there is no folder {stick}" in got.stderr
    assert not stick.parent.exists()
    stick.mkdir(parents=True)
    assert run("backup", "--to", str(stick), "--config", str(config)).returncode == 0


def test_the_help_names_copies_as_they_are_named() -> None:
    text = CliRunner().invoke(main, ["restore", "--help"]).output
    named = re.findall(r"rushlight restore .*?(\S*/\S+)$", text.split("Options:")[0], re.MULTILINE)
    assert named and all(backup._NAME.fullmatch(Path(name).name) for name in named)


def test_a_bad_line_imports_nothing(config: Path, tmp_path: Path) -> None:
    events = tmp_path / "events.jsonl"
    events.write_text("\n".join([*lines_of("foyer-ph", [7.0], start="2026-03-01T00:00:00Z", every_s=60), "nonsense"]))
    got = run("import", "--config", str(config), str(events))
    assert got.returncode == 2
    assert got.stderr.startswith("line 2: ")


def test_nothing_is_imported_beside_a_running_daemon(config: Path, tmp_path: Path) -> None:
    events = tmp_path / "events.jsonl"
    events.write_text("\n".join(lines_of("foyer-ph", [7.0], start="2026-03-01T00:00:00Z", every_s=60)))
    daemon = claim.Claim(tmp_path / "data")
    daemon.take(SystemClock())
    got = run("import", "--config", str(config), str(events))
    assert got.returncode == 1
    assert "nothing was imported: the daemon runs here" in got.stderr
    assert "memory" not in got.stderr
    daemon.free()
    assert run("import", "--config", str(config), str(events)).stdout.strip() == "1 new"


def test_plan(config: Path) -> None:
    """Science sheet: one 50 % change of 80 mg/L with water of 10 gives 45 (mass balance)."""
    text = config.read_text().replace("nitrate = 5.0", "nitrate = 10.0")
    config.write_text(text)
    got = run("plan", "--config", str(config), "--target", "45", "--nitrate", "80", "--daily-cap", "0.5")
    assert "50 %" in got.stdout
    assert got.stdout.split()[:6] == ["when", "change", "litres", "nitrate", "after", "now"], (
        "what is not known is left out"
    )
    impossible = run("plan", "--config", str(config), "--target", "9", "--nitrate", "80")
    assert impossible.returncode == 2
    assert "source water" in impossible.stderr


def test_a_data_folder_that_cannot_be_made_stops_no_daemon(tmp_path: Path) -> None:
    """Alarms go on without a disk; what needs one says so, and no line of the program's own code is shown."""
    (tmp_path / "file").write_text("")
    config = tmp_path / "config.toml"
    config.write_text(f'{CONFIG}\n[page]\nenabled = false\n[storage]\nfolder = "{tmp_path / "file" / "data"}"\n')
    with subprocess.Popen([*RUSHLIGHT, "run", "--config", str(config)], stderr=subprocess.PIPE, text=True) as daemon:
        said = []
        for line in daemon.stderr or ():
            said.append(line)
            if "state=running" in line or "Traceback" in line:
                break
        daemon.terminate()
        said += daemon.stderr or []
        assert daemon.wait(60) == 0
    assert "state=running" in "".join(said)
    assert "Traceback" not in "".join(said)


def test_check_reads_the_simulated_probe(config: Path) -> None:
    text = config.read_text().replace('id = "foyer-ph"', 'id = "foyer-ph"\ndriver = "simulated"')
    config.write_text(text)
    got = run("check", "--config", str(config))
    assert got.returncode == 0, got.stdout
    assert "foyer-ph" in got.stdout
    assert "nothing outside watches" in " ".join(got.stdout.split())


def test_free_words_are_refused_clearly_where_an_entry_has_no_room_for_them(config: Path) -> None:
    for kind, words in (("stocking", ("change=3",)), ("calibration", ("--probe", "foyer-ph", "6.86=6.9"))):
        got = run("record", kind, *words, "--note", "x", "--config", str(config))
        assert got.returncode == 2
        assert f"--note: a {kind} entry has no room for words" in got.stderr
        assert "rushlight record note text=" in got.stderr
    assert run("record", "note", "--note", "moved the pump", "--config", str(config)).returncode == 0
    [line] = [json.loads(row) for row in run("export", "--config", str(config)).stdout.splitlines()]
    assert (line["kind"], line["text"]) == ("note", "moved the pump")


def test_a_thinned_sample_and_a_checked_kit_are_written_down_and_exported_as_they_were_said(config: Path) -> None:
    thinned = ("test", "nitrate=50", "dilution=1+1", "source.nitrate=5", "--id", "thin")
    checked = ("kit_check", "kit=strip", "nitrate=50:25", "nitrate=11.3:>50 mg/L N", "pack=lot 7", "--id", "check")
    for words in (thinned, checked):
        got = run("record", *words, "--config", str(config))
        assert got.returncode == 0, got.stderr
    lines = {r["id"]: r for r in map(json.loads, run("export", "--config", str(config)).stdout.splitlines())}
    assert (lines["thin"]["dilution"], lines["thin"]["dilution_source"]) == (2.0, {"nitrate": 5.0})
    assert lines["check"]["standards"] == [
        {"substance": "nitrate", "value": 50.0, "read": 25.0},
        {"substance": "nitrate", "value": 11.3, "unit": "mg/L N", "read": ">50"},
    ]
    assert lines["check"]["pack"] == "lot 7"
    wrong = run("record", "kit_check", "kit=strip", "nitrate=50", "--config", str(config))
    assert wrong.returncode == 2
    assert "such as 50:25" in wrong.stderr
