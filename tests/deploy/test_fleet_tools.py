"""The fleet's commands: a parcel taken and left again, rings of a real package source, and what is refused."""

from __future__ import annotations

import functools
import http.server
import json
import shutil
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.config import loading

HERE = Path(__file__).parents[2] / "deploy/fleet"
sys.path.insert(0, str(HERE))

import packages  # noqa: E402
import pi  # noqa: E402
import register  # noqa: E402
from register import FleetError  # noqa: E402

CONFIG = """\
# the keeper's own words
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250] }
"""


def fleet(*words: str | Path, folder: Path, check: bool = True) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, HERE, "--folder", folder, *words]
    done = subprocess.run([str(w) for w in command], capture_output=True, text=True, check=False)
    assert not check or done.returncode == 0, done.stderr
    return done


needs_tools = pytest.mark.skipif(
    any(shutil.which(t) is None for t in ("gpg", "apt-ftparchive", "openssl")), reason="gnupg or apt-utils is missing"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("hub") / "etc"
    fleet("init", "--host", "hub.example.org", folder=made)
    return made


@pytest.fixture
def root(tmp_path: Path) -> Path:
    file = tmp_path / "pi/etc/rushlight/config.toml"
    file.parent.mkdir(parents=True)
    file.write_text(CONFIG)
    return tmp_path / "pi"


@needs_tools
def test_a_parcel_is_made_taken_and_left_again(folder: Path, root: Path, tmp_path: Path) -> None:
    parcel = tmp_path / "rowan.parcel"
    fleet("add", "rowan-foyer", "--site", "Rowan Street library", "--parcel", parcel, folder=folder)
    assert parcel.stat().st_mode & 0o777 == 0o600
    inside = json.loads(parcel.read_text())
    subprocess.run(
        ["openssl", "verify", "-CAfile", folder / "ca.crt", "-verify_hostname", "hub.example.org", folder / "hub.crt"],
        check=True, capture_output=True,
    )  # fmt: skip
    assert inside["authority"] == (folder / "ca.crt").read_text()

    for _ in range(2):  # taken twice is taken once
        fleet("--root", root, "take", parcel, folder=folder)
    config = root / "etc/rushlight/config.toml"
    got = loading.load(config).timeseries
    assert got.url == "https://hub.example.org:8427"
    assert (root / got.token_file.lstrip("/")).read_text().strip() == inside["token"]
    assert (root / got.token_file.lstrip("/")).stat().st_mode & 0o777 == 0o640
    assert (root / got.ca_file.lstrip("/")).read_text() == inside["authority"]
    assert config.read_text().startswith(CONFIG)
    source = (root / "etc/apt/sources.list.d/rushlight-fleet.list").read_text()
    assert source.endswith("http://hub.example.org:8426 rest main\n")

    fleet("--root", root, "leave", folder=folder)
    assert config.read_text().strip() == CONFIG.strip()
    assert {p.name for p in root.rglob("*") if p.is_file()} == {"config.toml"}
    assert "belong" in fleet("--root", root, "leave", folder=folder, check=False).stderr


@needs_tools
def test_taken_out_is_out_of_every_file(folder: Path) -> None:
    fleet("add", "elm-hall", "--site", "Elm Row", folder=folder)
    token = register.load(folder).members["elm-hall"].token
    assert token in (folder / "out/auth.yml").read_text()
    fleet("out", "elm-hall", folder=folder)
    for file in folder.rglob("*"):
        if file.is_file() and "gnupg" not in file.parts:
            assert token.encode() not in file.read_bytes(), file
            assert b"elm-hall" not in file.read_bytes(), file
    assert fleet("out", "elm-hall", folder=folder, check=False).returncode == 1


@pytest.mark.slow
@needs_tools
def test_a_second_pi_cannot_have_a_name_and_nothing_odd_is_one(folder: Path) -> None:
    fleet("add", "oak", "--site", "Oak", folder=folder)
    for name in ("oak", "Oak Street", 'x"}', "-x", ""):
        done = fleet("add", "--site", "Oak", "--", name, folder=folder, check=False)
        assert done.returncode == 1, name
        assert done.stderr.startswith("fleet: ")


@pytest.mark.parametrize(
    ("text", "said"),
    [("{}", "parcel"), ("no", "parcel"), ('{"parcel": 2}', "parcel")],
)
def test_what_is_no_parcel_changes_nothing(root: Path, tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "p").write_text(text)
    with pytest.raises(FleetError, match=said):
        pi.take(pi.read_parcel(tmp_path / "p"), root)
    assert (root / "etc/rushlight/config.toml").read_text() == CONFIG


def test_a_store_of_the_keepers_own_is_left_alone(root: Path) -> None:
    own = CONFIG + '[timeseries]\nurl = "http://127.0.0.1:1"\norg = "o"\nbucket = "b"\n'
    (root / "etc/rushlight/config.toml").write_text(own)
    parcel = dict.fromkeys(pi._KEYS, "x")
    with pytest.raises(FleetError, match="of its own"):
        pi.take(parcel, root)
    assert (root / "etc/rushlight/config.toml").read_text() == own
    assert tomllib.loads(own)


# ---------------------------------------------------------------------- the package source, read by the system's apt


def package(folder: Path, version: str) -> Path:
    tree = folder / f"tree-{version}"
    (tree / "DEBIAN").mkdir(parents=True)
    (tree / "DEBIAN/control").write_text(
        f"Package: rushlight\nVersion: {version}\nArchitecture: all\nMaintainer: t <t@example.org>\nDescription: t\n"
    )
    made = folder / f"rushlight_{version}_all.deb"
    subprocess.run(["dpkg-deb", "--root-owner-group", "-b", tree, made], check=True, capture_output=True)
    return made


class Apt:
    """The system's apt, with lists and status of its own, fed by one ring over HTTP."""

    def __init__(self, folder: Path, port: int, ring: str, key: Path) -> None:
        for name in ("lists/partial", "cache/archives/partial", "etc"):
            (folder / name).mkdir(parents=True)
        (folder / "status").write_text("")
        (folder / "etc/list").write_text(f"deb [signed-by={key}] http://127.0.0.1:{port} {ring} main\n")
        dirs = {
            "Dir::State": folder, "Dir::State::status": folder / "status", "Dir::Cache": folder / "cache",
            "Dir::Etc::sourcelist": folder / "etc/list", "Dir::Etc::sourceparts": "/dev/null",
            "APT::Sandbox::User": "root", "Acquire::http::Proxy": "DIRECT", "APT::Architecture": "arm64",
        }  # fmt: skip
        self._options = [word for k, v in dirs.items() for word in ("-o", f"{k}={v}")]

    def offered(self) -> str:
        subprocess.run(["apt-get", "-qq", *self._options, "update"], check=True, capture_output=True)
        done = subprocess.run(
            ["apt-cache", *self._options, "policy", "rushlight"], capture_output=True, text=True, check=True
        )
        return next((row.split()[1] for row in done.stdout.splitlines() if "Candidate" in row), "")


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def served(folder: Path) -> Iterator[int]:
    (folder / "packages").mkdir(exist_ok=True)
    handler = functools.partial(Quiet, directory=str(folder / "packages"))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield server.server_address[1]
    server.shutdown()
    server.server_close()


@pytest.mark.slow
@needs_tools
def test_one_then_ten_then_the_rest_and_back(folder: Path, served: int, tmp_path: Path) -> None:
    rings = {ring: Apt(tmp_path / ring, served, ring, folder / "packages.asc") for ring in register.RINGS}
    old, new = package(tmp_path, "1.0"), package(tmp_path, "1.1")
    for ring in register.RINGS:
        fleet("publish", old, "--ring", ring, "--anyway", folder=folder)
    fleet("publish", new, "--ring", "one", folder=folder)
    assert {ring: apt.offered() for ring, apt in rings.items()} == {"one": "1.1", "ten": "1.0", "rest": "1.0"}
    fleet("publish", new, "--ring", "ten", "--anyway", folder=folder)
    assert rings["ten"].offered() == "1.1"
    # A third version that only one has is withdrawn from one; the others keep what they have.
    newest = package(tmp_path, "1.2")
    fleet("publish", newest, "--ring", "one", folder=folder)
    assert rings["one"].offered() == "1.2"
    fleet("back", folder=folder)
    assert {ring: apt.offered() for ring, apt in rings.items()} == {"one": "1.1", "ten": "1.1", "rest": "1.0"}
    assert fleet("back", folder=folder, check=False).returncode == 1
    wanted = [r["labels"] for g in json.loads((folder / "out/members.rules.yml").read_text())["groups"] for r in g["rules"]
              if r["record"] == "fleet:wanted"]  # fmt: skip
    assert {w["ring"]: w["version"] for w in wanted} == {"one": "1.1", "ten": "1.1", "rest": "1.0"}


@needs_tools
def test_a_changed_index_is_not_believed(folder: Path, served: int, tmp_path: Path) -> None:
    fleet("publish", package(tmp_path, "2.0"), "--ring", "rest", "--anyway", folder=folder)
    index = folder / "packages/dists/rest/main/binary-arm64/Packages"
    index.write_text(index.read_text().replace("2.0", "9.9"))
    with pytest.raises(subprocess.CalledProcessError):
        Apt(tmp_path / "apt", served, "rest", folder / "packages.asc").offered()


@needs_tools
def test_the_same_version_with_other_content_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    fleet("publish", package(tmp_path / "a", "3.0"), "--ring", "one", folder=folder)
    other = package(tmp_path / "b", "3.0")
    with other.open("ab") as f:
        f.write(b"\n")
    with pytest.raises(FleetError, match="version of its own"):
        packages.take_in(register.load(folder), other)


def test_a_pi_takes_up_what_is_offered_and_a_failed_version_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """apt's own part is tried above; here what is made of its answers."""
    versions, status, asked = ["1.0", "1.1"], {"install": 0, "is-active": 0}, []

    def run(*words: str) -> int:
        asked.append(words)
        return next((s for k, s in status.items() if k in words), 0)

    monkeypatch.setattr(pi, "_versions", lambda: tuple(versions))
    assert "1.1 runs" in pi.update(tmp_path, run)
    failed = tmp_path / "var/lib/rushlight/upgrade-failed"
    status["is-active"] = 3
    with pytest.raises(FleetError, match="did not come up"):
        pi.update(tmp_path, run)
    assert failed.read_text() == "1.1\n"
    asked.clear()
    assert "not tried again" in pi.update(tmp_path, run)
    assert not [w for w in asked if "install" in w]
    versions[1] = "1.0"  # the fleet went back
    assert "is what the ring is offered" in pi.update(tmp_path, run)
    assert not failed.exists()


def test_a_package_whose_own_script_failed_is_not_what_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Said by Debian 12's apt and dpkg of a package whose postinst ends with 1."""
    said = {"apt-cache": "  Installed: 1.1\n  Candidate: 1.1\n", "dpkg-query": "iF "}
    for name, text in said.items():
        (tmp_path / name).write_text(f"#!/bin/sh\nprintf '{text}'\n")
        (tmp_path / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    failed = tmp_path / "var/lib/rushlight/upgrade-failed"
    failed.parent.mkdir(parents=True)
    failed.write_text("1.1\n")
    assert "not tried again" in pi.update(tmp_path, lambda *_: 0)
    assert failed.exists(), "the store goes on being told"
    (tmp_path / "dpkg-query").write_text("#!/bin/sh\nprintf 'ii '\n")
    assert "is what the ring is offered" in pi.update(tmp_path, lambda *_: 0)
    assert not failed.exists()
