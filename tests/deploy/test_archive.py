"""The archive that is copied to a Pi: whole, without anything else, the same bytes each time, known by its checksum."""

from __future__ import annotations

import re
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


def pack(folder: Path) -> list[Path]:
    done = subprocess.run(["bash", ROOT / "deploy/archive.sh", folder], capture_output=True, text=True, check=True)
    return [Path(line) for line in done.stdout.splitlines()]


def test_the_archive_is_whole_and_nothing_else_and_the_same_each_time(tmp_path: Path) -> None:
    archive, checksum = pack(tmp_path / "a")
    said = subprocess.run(
        ["sha256sum", "-c", checksum.name], cwd=checksum.parent, capture_output=True, text=True, check=False
    )
    assert said.returncode == 0, said.stderr
    again, _ = pack(tmp_path / "b")
    assert archive.read_bytes() == again.read_bytes()
    with tarfile.open(archive) as packed:
        files = {m.name.partition("/")[2]: m for m in packed.getmembers()}
    assert {name.partition("/")[0] for name in files} == {
        "pyproject.toml", "README.md", "config.example.toml", "daemon", "drivers", "deploy",
    }  # fmt: skip
    found = [f for part in ("daemon", "drivers", "deploy") for f in (ROOT / part).rglob("*") if f.is_file()]
    tree = [str(f.relative_to(ROOT)) for f in found if "__pycache__" not in f.parts and ".egg-info" not in str(f)]
    assert set(tree) <= set(files), "every file of the tree"
    assert not any("__pycache__" in name for name in files)
    assert files["deploy/install/certificate.sh"].mode & 0o111, "what is run can be run"


@pytest.mark.skipif(not shutil.which("dpkg-deb"), reason="needs dpkg-deb")
def test_the_debian_package_holds_the_archive_and_leaves_the_configuration_alone(tmp_path: Path) -> None:
    done = subprocess.run(["bash", ROOT / "deploy/deb.sh", tmp_path], capture_output=True, text=True, check=True)
    package = Path(done.stdout.strip())
    subprocess.run(["dpkg-deb", "-R", package, tmp_path / "whole"], check=True)
    source = tmp_path / "whole/usr/share/rushlight/source"
    archive, _ = pack(tmp_path / "a")
    with tarfile.open(archive) as packed:
        wanted = {m.name.partition("/")[2] for m in packed.getmembers()}
    assert {str(f.relative_to(source)) for f in source.rglob("*") if f.is_file()} == wanted
    fields = subprocess.run(["dpkg-deb", "-f", package], capture_output=True, text=True, check=True).stdout
    assert "Architecture: all" in fields
    assert not (tmp_path / "whole/etc").exists(), "what a person wrote is no part of it"
    assert not (tmp_path / "whole/DEBIAN/postrm").exists(), "and a purge takes nothing of it"
    for script in ("postinst", "prerm"):
        subprocess.run(["sh", "-n", tmp_path / "whole/DEBIAN" / script], check=True)


@pytest.mark.skipif(not shutil.which("dpkg-deb") or not shutil.which("lintian"), reason="needs dpkg-deb and lintian")
def test_lintian_finds_no_fault_in_the_package(tmp_path: Path) -> None:
    done = subprocess.run(["bash", ROOT / "deploy/deb.sh", tmp_path], capture_output=True, text=True, check=True)
    package = done.stdout.strip()
    said = subprocess.run(
        ["lintian", "--fail-on", "error,warning", package], capture_output=True, text=True, check=False
    )
    assert (said.returncode, said.stdout) == (0, ""), said.stdout


@pytest.mark.skipif(not shutil.which("dpkg-deb"), reason="needs dpkg-deb")
def test_a_package_whose_program_says_another_version_is_not_made(tmp_path: Path) -> None:
    for part in ("daemon", "drivers", "deploy", "pyproject.toml", "README.md", "config.example.toml"):
        copy = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
        copy(ROOT / part, tmp_path / part)
    project = tmp_path / "pyproject.toml"
    version = re.search(r'(?m)^version = "(.*)"$', project.read_text())
    assert version is not None
    project.write_text(project.read_text().replace(version[0], 'version = "99.0"'))
    done = subprocess.run(
        ["bash", tmp_path / "deploy/deb.sh", tmp_path / "made"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, list((tmp_path / "made").glob("*.deb"))) == (1, [])
    assert "99.0" in done.stderr
