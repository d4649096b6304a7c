"""The local package source: a signed suite a ring, so that a new version goes to one Pi, then ten, then the rest.

Owns the folder `packages` in the fleet's folder: `pool` keeps every version that was ever published, and `dists/RING`
offers one.  Going back offers the version before again; nothing is built anew.  Needs apt-utils and gnupg.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from register import RINGS, Fleet, FleetError, write

_ARCHITECTURES = ("all", "amd64", "arm64", "armhf")


def _run(*words: str | Path, cwd: Path | None = None) -> str:
    done = subprocess.run([str(w) for w in words], cwd=cwd, capture_output=True, text=True, check=False)  # noqa: S603
    if done.returncode:
        raise FleetError(f"{words[0]}: {done.stderr.strip()[-400:]}")
    return done.stdout


def signer(fleet: Fleet) -> Path:
    """The signing key's public half, made when there is none."""
    public, home = fleet.folder / "packages.asc", fleet.folder / "gnupg"
    if not public.exists():
        home.mkdir(mode=0o700, exist_ok=True)
        gpg = ("gpg", "--homedir", home, "--batch", "--pinentry-mode", "loopback", "--passphrase", "")
        _run(*gpg, "--quick-generate-key", "fleet packages", "ed25519", "sign", "never")
        write(public, _run("gpg", "--homedir", home, "--armor", "--export", "fleet packages"))
    return public


def version_of(deb: Path) -> str:
    """The version inside; raises FleetError when it is no package of ours."""
    name, version = _run("dpkg-deb", "-W", "--showformat=${Package} ${Version}", deb).split()
    if name != "rushlight":
        raise FleetError(f"{deb} is package {name}, not rushlight")
    return version


def publish(fleet: Fleet, version: str, ring: str) -> None:
    """Offer a version that is in the pool to one ring."""
    pool, place = fleet.folder / "packages/pool", fleet.folder / "packages/dists" / ring
    deb = pool / f"rushlight_{version}_all.deb"
    if not deb.exists():
        raise FleetError(f"version {version} was never put in; give its .deb file")
    signer(fleet)
    rows = "".join(
        block + "\n\n"
        for block in _run("apt-ftparchive", "packages", "pool", cwd=fleet.folder / "packages").strip().split("\n\n")
        if f"\nVersion: {version}\n" in f"\n{block}\n"
    )
    for architecture in _ARCHITECTURES:
        write(place / f"main/binary-{architecture}/Packages", rows)
    about = ["Origin=rushlight fleet", f"Suite={ring}", f"Codename={ring}", "Components=main"]
    about.append(f"Architectures={' '.join(_ARCHITECTURES)}")
    options = [word for text in about for word in ("-o", f"APT::FTPArchive::Release::{text}")]
    signed = place / "InRelease"
    before_s = signed.stat().st_mtime if signed.exists() else 0.0
    (place / "Release").unlink(missing_ok=True)
    signed.unlink(missing_ok=True)
    write(place / "Release", _run("apt-ftparchive", *options, "release", place))
    gpg = ("gpg", "--homedir", fleet.folder / "gnupg", "--batch", "--yes", "--pinentry-mode", "loopback")
    _run(*gpg, "--passphrase", "", "--clearsign", "-o", signed, place / "Release")
    # HTTP tells a change by whole seconds; two within one must differ all the same.
    if signed.stat().st_mtime < before_s + 1:
        os.utime(signed, (before_s + 1, before_s + 1))
    fleet.wanted[ring] = version


def take_in(fleet: Fleet, deb: Path) -> str:
    """Copy a package into the pool; returns its version.  The same version with other content is refused."""
    version = version_of(deb)
    kept = fleet.folder / "packages/pool" / f"rushlight_{version}_all.deb"
    if kept.exists() and kept.read_bytes() != deb.read_bytes():
        raise FleetError(f"another package with version {version} is there already; give this one a version of its own")
    kept.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(deb, kept)
    return version


def earlier(ring: str) -> str:
    """The ring that goes before; '' for the first."""
    place = RINGS.index(ring)
    return RINGS[place - 1] if place else ""


def put(fleet: Fleet, deb: Path, ring: str) -> str:
    """Take in and offer; returns the version.  What the ring had before is remembered, for going back."""
    version, memory = take_in(fleet, deb), fleet.folder / "packages/before"
    before = fleet.wanted.get(ring)
    publish(fleet, version, ring)
    if before and before != version:
        write(memory / f"{version}.{ring}", before + "\n")
    write(memory / "newest", version + "\n")
    fleet.save()
    return version


def back(fleet: Fleet) -> dict[str, str]:
    """Withdraw the version that was put in last, in every ring that has it; returns the version by ring now."""
    memory, done = fleet.folder / "packages/before", {}
    newest = (memory / "newest").read_text("utf-8").strip() if (memory / "newest").exists() else ""
    for ring in RINGS:
        kept = memory / f"{newest}.{ring}"
        if fleet.wanted.get(ring) == newest and kept.exists():
            publish(fleet, kept.read_text("utf-8").strip(), ring)
            done[ring] = fleet.wanted[ring]
    if not done:
        raise FleetError("no ring has an earlier version to go back to")
    fleet.save()
    return done
