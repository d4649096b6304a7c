"""Coverage-guided fuzzing of every parser that meets the outside, by one command, with a table at the end.

    .venv/bin/pip install atheris
    .venv/bin/python tests/fuzz/campaign.py                       every family, a million inputs each
    .venv/bin/python tests/fuzz/campaign.py --inputs 20000 lines  one family, shortly
    .venv/bin/python tests/fuzz/campaign.py --keep                also put small new inputs into the kept corpus

atheris drives libFuzzer: it mutates the kept inputs, sees which branches of our code and of the drivers an input
reaches, and goes on from what reached new ones.  One family a process, one process at a time.  A fault does not end a
family: it is written down once by its kind and place, with its input, and counted.
"""

from __future__ import annotations

import argparse
import importlib.util
import logging
import re
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).parent
KEPT_BYTES = 16_000
"""Of one family in the repository; all together stay below 300 kB."""


def _run_family(name: str, inputs: int, folder: Path) -> None:
    """In a process of its own: libFuzzer ends it."""
    sys.path.insert(0, str(HERE.parent))
    import atheris

    # The whole program is instrumented, before anything of it is imported.
    with atheris.instrument_imports(include=["rushlight", "rushlight_drivers"]):
        from fuzz.families import FAMILIES
    logging.disable(logging.CRITICAL)
    family = FAMILIES[name]
    words = folder / "words"
    words.write_text(_dictionary(family.words))
    grown, faults = folder / "grown", folder / "faults"
    grown.mkdir()
    faults.mkdir()
    options = [f"-runs={inputs}", "-print_final_stats=1", "-timeout=20", "-rss_limit_mb=1500", "-verbosity=1"]
    options += [f"-max_len={family.longest}", f"-dict={words}", f"-artifact_prefix={faults}/hang-"]
    kept = HERE / "corpus" / name
    atheris.Setup(
        [sys.argv[0], *options, str(grown), *([str(kept)] if kept.is_dir() else [])], _noting(family.target, faults)
    )
    atheris.Fuzz()


def _dictionary(words: tuple[bytes, ...]) -> str:
    """In libFuzzer's form: one word in quotes a line, bytes in hexadecimal."""
    return "".join('"' + "".join(f"\\x{b:02x}" for b in w) + '"\n' for w in words)


def _noting(target: Callable[[bytes], None], faults: Path) -> Callable[[bytes], None]:
    """The target, with each kind of fault written down once and passed over."""
    seen: set[str] = set()

    def one(data: bytes) -> None:
        try:
            target(data)
        except Exception as e:  # noqa: BLE001 - whatever a parser lets out is a finding
            frame = traceback.extract_tb(e.__traceback__)[-1]
            place = f"{type(e).__name__} at {Path(frame.filename).name}:{frame.lineno}"
            if place not in seen:
                seen.add(place)
                base = faults / re.sub(r"\W+", "-", place)
                base.with_suffix(".input").write_bytes(data)
                base.with_suffix(".txt").write_text("".join(traceback.format_exception(e)))

    return one


def _campaign(name: str, inputs: int, folder: Path) -> tuple[str, list[str]]:
    """One row of the table, and the faults in words."""
    began_s = time.monotonic()
    command = [sys.executable, __file__, "--one", name, "--inputs", str(inputs), "--folder", str(folder)]
    done = subprocess.run(
        command, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace"
    )
    took_s = time.monotonic() - began_s
    (folder / "log").write_text(done.stdout)
    ran = re.search(r"stat::number_of_executed_units:\s*(\d+)", done.stdout)
    slowest = re.search(r"stat::slowest_unit_time_sec:\s*(\d+)", done.stdout)
    edges = re.findall(r"cov: (\d+)", done.stdout)
    faults = sorted(f.name for f in (folder / "faults").glob("*") if f.suffix != ".txt")
    if ran is None or done.returncode:
        faults.append(f"ended with status {done.returncode}: {done.stdout.strip().splitlines()[-1:]}")
    n = int(ran[1]) if ran else 0
    new = sum(1 for _ in (folder / "grown").glob("*"))
    row = f"{name:<12}{n:>10,}{n / took_s:>10,.0f}{took_s:>9.0f}{(edges or ['?'])[-1]:>8}{new:>7,}"
    return f"{row}{(slowest or ['', '?'])[1]:>10}{len(faults):>8}", faults


def _keep(name: str, grown: Path) -> None:
    """Put what reached something new into the kept corpus, smallest first, while there is room."""
    folder = HERE / "corpus" / name
    folder.mkdir(parents=True, exist_ok=True)
    room = KEPT_BYTES - sum(p.stat().st_size for p in folder.glob("*"))
    for path in sorted(grown.glob("*"), key=lambda p: (p.stat().st_size, p.name)):
        size = path.stat().st_size
        if size > room:
            break
        shutil.copy(path, folder / path.name[:16])
        room -= size


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("families", nargs="*")
    ask.add_argument("--inputs", type=int, default=1_000_000)
    ask.add_argument("--keep", action="store_true")
    ask.add_argument("--faults", type=Path, help="where inputs that broke something go")
    ask.add_argument("--one", help=argparse.SUPPRESS)
    ask.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given = ask.parse_args()
    if given.one:
        _run_family(given.one, given.inputs, given.folder)
        return 0
    if importlib.util.find_spec("atheris") is None:
        sys.exit("atheris is not installed; pip install -e '.[fuzz]'")
    sys.path.insert(0, str(HERE.parent))
    from fuzz.families import FAMILIES

    print(
        f"{'family':<12}{'inputs':>10}{'a second':>10}{'seconds':>9}{'edges':>8}{'new':>7}{'slowest s':>10}{'faults':>8}"
    )
    bad = 0
    for name in given.families or FAMILIES:
        with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
            row, faults = _campaign(name, given.inputs, Path(folder))
            print(row, flush=True)
            bad += len(faults)
            for fault in faults:
                print(f"    {fault}", flush=True)
            if given.faults and (Path(folder) / "faults").is_dir() and faults:
                shutil.copytree(Path(folder) / "faults", given.faults / name, dirs_exist_ok=True)
                shutil.copy(Path(folder) / "log", given.faults / name)
            if given.keep:
                _keep(name, Path(folder) / "grown")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
