"""Pieces of Debian for tests: single packages of another suite, and clean bootable roots.  Kept in a cache.

RUSHLIGHT_TEST_CACHE names the cache; the default is ~/.cache/rushlight-tests.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

SOURCES = Path("/etc/apt/sources.list.d/debian.sources")
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")


class UnobtainableError(Exception):
    """This machine can't get it; the message says why."""


def cache() -> Path:
    named = os.environ.get("RUSHLIGHT_TEST_CACHE")
    folder = Path(named) if named else Path.home() / ".cache/rushlight-tests"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@contextlib.contextmanager
def made_once(name: str) -> Iterator[tuple[Path, Path | None]]:
    """(final, part): fill `part` and it becomes `final`; `part` is None when it is there already.

    One process makes it, others wait.
    """
    final = cache() / name
    with (cache() / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if final.exists():
            yield final, None
            return
        part = final.with_name(final.name + ".part")
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir()
        yield final, part
        part.rename(final)


def run(*command: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]
    if done.returncode:
        raise UnobtainableError(f"{command[0]} failed: {done.stderr[-2000:]}")
    return done


def mirror() -> str:
    """The archive that this machine itself installs from."""
    if not SOURCES.exists():
        raise UnobtainableError("this is not a Debian that names its archive in debian.sources")
    found = re.search(r"^URIs: (\S+)$", SOURCES.read_text(), re.MULTILINE)
    if found is None:
        raise UnobtainableError(f"no URIs in {SOURCES}")
    return found[1]


def unpack(suite: str, packages: tuple[str, ...], folder: Path) -> None:
    """Download packages of another suite, checked against the archive's keys, and unpack them into `folder`.

    The host's own package lists are not touched and nothing is installed.
    """
    with tempfile.TemporaryDirectory() as t:
        tmp = Path(t)
        for name in ("state/lists/partial", "cache/archives/partial", "debs"):
            (tmp / name).mkdir(parents=True)
        (tmp / "status").touch()
        (tmp / "sources.list").write_text(f"deb [signed-by={KEYRING}] {mirror()} {suite} main\n")
        apt = [
            "apt-get", "-qq",
            "-o", f"Dir::Etc::sourcelist={tmp}/sources.list",
            "-o", "Dir::Etc::sourceparts=/dev/null",
            "-o", f"Dir::State={tmp}/state",
            "-o", f"Dir::State::status={tmp}/status",
            "-o", f"Dir::Cache={tmp}/cache",
            "-o", f"APT::Sandbox::User={os.environ.get('USER', 'root')}",
        ]  # fmt: skip
        run(*apt, "update")
        run(*apt, "download", *packages, cwd=tmp / "debs")
        for deb in (tmp / "debs").glob("*.deb"):
            run("dpkg", "-x", deb, folder)


def micropython() -> list[str]:
    """The command that runs Debian's own build of MicroPython for Unix; raises UnobtainableError.

    Debian has it from release 13 on; there it runs with the C library of that release, unpacked beside it, so that
    an older Debian can run it too.
    """
    if installed := shutil.which("micropython"):
        return [installed]
    packages = ("micropython", "libc6", "libffi8", "libmbedcrypto16", "libmbedtls21", "libmbedx509-7")
    with made_once("micropython-trixie") as (final, part):
        if part is not None:
            unpack("trixie", packages, part)
    loader = next(final.glob("usr/lib/*/ld-linux-*.so*"), None)
    if loader is None:
        raise UnobtainableError("the C library's package holds no loader")
    return [str(loader), "--library-path", str(loader.parent), str(final / "usr/bin/micropython")]


def at_the_time(command: list[str], moment: str) -> list[str]:
    """That command of `micropython` with the clock of its world at `moment`; waits go on as they are."""
    with made_once("faketime-trixie") as (final, part):
        if part is not None:
            unpack("trixie", ("libfaketime",), part)
    library = next(final.glob("usr/lib/*/faketime/libfaketime.so.1"))
    clock = ["env", f"FAKETIME=@{moment}", "DONT_FAKE_MONOTONIC=1"]
    if len(command) == 1:
        return [*clock, f"LD_PRELOAD={library}", *command]
    return [*clock, *command[:-1], "--preload", str(library), command[-1]]


def topic_push_server() -> str:
    """The `ntfy` server, a static binary that Debian has from release 13 on; raises UnobtainableError."""
    if installed := shutil.which("ntfy"):
        return installed
    with made_once("ntfy-trixie") as (final, part):
        if part is not None:
            unpack("trixie", ("ntfy",), part)
    return str(final / "usr/bin/ntfy")
