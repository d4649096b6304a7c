"""Moves constants of the trade by 5 to 20 %, one at a time, and runs the tests nearest to each: which of them notice?

Usage: python tests/bench/mutate_constants.py [NAME...] [--jobs N]
Works on a copy of `daemon/`; the tree is left alone.  Prints a line for each constant, and at the end how many survived.
A survivor is either a constant that nobody could see move by so little, or a test that is missing.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "daemon" / "rushlight"
WATER = ("tests/published/test_water_published.py", "tests/published/test_changes_published.py")
AMMONIA = ("tests/published/test_ammonia_published.py", "tests/published/test_changes_published.py")
PRIORS = ("tests/published/test_priors_published.py", "tests/published/test_nitrogen_budget.py")
CHEMISTRY = ("tests/tank/water", "tests/core/test_nothing_kills_in_silence.py", "tests/core/test_harmless_advice.py")
CAUSES = ("tests/tank/nitrate/test_causes.py",)
RESPONSE = ("tests/published/test_plant_response.py",)
NEED = ("tests/tank/light/test_need.py",)
TABLE = ("tests/alarms/test_table.py",)
LIGHT = ("tests/published/test_light_published.py",)
ELECTRODE = ("tests/published/test_electrodes_published.py",)


@dataclass(frozen=True)
class Mutant:
    """One change: in which file, what stands there, what is put there, and the tests nearest to it."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


MUTANTS = tuple(
    Mutant(*row)
    for row in (
        ("ammonia: pKa", "science/chemistry/ammonia.py", "2729.92", "2593.42", AMMONIA),
        ("ammonia: chronic criterion", "science/chemistry/ammonia.py", "0.8876 *", "0.976 *", AMMONIA),
        ("ammonia: acute criterion", "science/chemistry/ammonia.py", "51.93", "57.1", AMMONIA),
        ("ammonia: salt's part", "science/chemistry/ammonia.py", "(0.05, 0.10)", "(0.06, 0.12)", AMMONIA),
        ("carbonate: air", "science/chemistry/carbonate.py", "AIR_PPM = 420.0", "AIR_PPM = 504.0", WATER),
        ("carbonate: CO2 molar mass", "science/chemistry/carbonate.py", "44.009", "48.41", WATER),
        ("carbonate: Davies", "science/chemistry/carbonate.py", "-0.509 *", "-0.56 *", WATER),
        (
            "hardness: uptake gives back",
            "science/chemistry/hardness.py",
            "DKH_PER_NITRATE_FORMED / 2.0",
            "DKH_PER_NITRATE_FORMED / 2.2",
            WATER,
        ),
        (
            "nitrogen: protein",
            "science/chemistry/nitrogen.py",
            "PROTEIN_PER_NITROGEN = 6.25",
            "PROTEIN_PER_NITROGEN = 6.9",
            PRIORS,
        ),
        (
            "nitrogen: share in the water",
            "science/chemistry/nitrogen.py",
            "SHARE_MEAN = 0.70",
            "SHARE_MEAN = 0.77",
            PRIORS,
        ),
        ("nitrogen: its deviation", "science/chemistry/nitrogen.py", "SHARE_SD = 0.15", "SHARE_SD = 0.12", PRIORS),
        ("nitrogen: tissue", "science/chemistry/nitrogen.py", "(0.02, 0.008)", "(0.023, 0.008)", PRIORS),
        (
            "nitrogen: dry per fresh",
            "science/chemistry/nitrogen.py",
            "DRY_PER_FRESH = 0.12",
            "DRY_PER_FRESH = 0.14",
            CAUSES,
        ),
        ("remedies: sodium", "science/chemistry/remedies.py", "22.990", "25.3", WATER),
        ("remedies: chlorine", "science/chemistry/remedies.py", "0.019, 0.011", "0.021, 0.011", WATER),
        ("remedies: nitrite by chloride", "science/chemistry/remedies.py", "(4.0, 0.04)", "(4.0, 0.044)", WATER),
        (
            "remedies: chloride to nitrite",
            "science/chemistry/remedies.py",
            "CHLORIDE_PER_NITRITE = 10.0",
            "CHLORIDE_PER_NITRITE = 11.0",
            WATER,
        ),
        ("light: daylight factor", "science/optics/photometry.py", "DAYLIGHT = 0.0180", "DAYLIGHT = 0.0198", LIGHT),
        ("light: solar constant", "science/optics/sun.py", "SOLAR_CONSTANT = 0.0820", "SOLAR_CONSTANT = 0.0865", LIGHT),
        (
            "electrode: chloride molar mass",
            "science/measuring/electrode.py",
            "35.45, 62.004",
            "39.0, 62.004",
            ELECTRODE,
        ),
        (
            "electrode: refused below",
            "science/measuring/electrode.py",
            "85.0, 105.0",
            "89.5, 105.0",
            (*ELECTRODE, "tests/tank/probes/test_probes.py"),
        ),
        (
            "chemistry: how long a test counts",
            "tank/water/chemistry.py",
            "FRESH_TEST_DAYS = 14.0",
            "FRESH_TEST_DAYS = 15.4",
            CHEMISTRY[:1],
        ),
        ("chemistry: pH assumed", "tank/water/chemistry.py", "= 7.5, 25.0", "= 7.9, 25.0", CHEMISTRY[:1]),
        ("chemistry: °C assumed", "tank/water/chemistry.py", "= 7.5, 25.0", "= 7.5, 27.5", CHEMISTRY[:1]),
        ("chemistry: clears at", "tank/water/chemistry.py", "CLEARS_AT = 0.8", "CLEARS_AT = 0.88", CHEMISTRY[:1]),
        (
            "chemistry: sure",
            "tank/water/chemistry.py",
            "SURE, UNSURE = 0.9, 0.5",
            "SURE, UNSURE = 0.95, 0.5",
            CHEMISTRY[:1],
        ),
        (
            "chemistry: unsure",
            "tank/water/chemistry.py",
            "SURE, UNSURE = 0.9, 0.5",
            "SURE, UNSURE = 0.9, 0.6",
            CHEMISTRY[:1],
        ),
        (
            "chemistry: patience before asking",
            "tank/water/chemistry.py",
            "UNTESTED_S = 14 * DAY_S",
            "UNTESTED_S = 16 * DAY_S",
            CHEMISTRY[:1],
        ),
        ("chemistry: criterion's tables", "tank/water/chemistry.py", "(6.5, 9.0)", "(6.1, 9.0)", CHEMISTRY[:1]),
        (
            "chemistry: smallest reading error",
            "tank/water/chemistry.py",
            "READING_FLOOR_DH = 0.3",
            "READING_FLOOR_DH = 0.36",
            CHEMISTRY[:1],
        ),
        (
            "causes: answer to light",
            "science/plants/response.py",
            "LIGHT_RESPONSE = (0.8, 0.25)",
            "LIGHT_RESPONSE = (0.92, 0.25)",
            NEED,
        ),
        (
            "causes: regrowth",
            "science/plants/response.py",
            "REGROWTH_DAYS = 60.0",
            "REGROWTH_DAYS = 69.0",
            (*RESPONSE, *NEED),
        ),
        (
            "causes: fish",
            "tank/nitrate/causes.py",
            "STOCKING_PART = (0.3, 0.25)",
            "STOCKING_PART = (0.36, 0.25)",
            CAUSES,
        ),
        ("causes: weighty", "tank/nitrate/causes.py", "WEIGHTY = 0.25", "WEIGHTY = 0.3", CAUSES),
        ("need: fewest weeks", "tank/light/need.py", "FEWEST_WEEKS = 4", "FEWEST_WEEKS = 5", NEED),
        ("need: outgrown", "tank/light/need.py", "OUTGROWN = 0.75", "OUTGROWN = 0.83", NEED),
        ("need: longest day", "tank/light/need.py", "LONGEST_HOURS = 14.0", "LONGEST_HOURS = 15.0", NEED),
        ("table: a rise is over", "alarms/table.py", "off_delay_s=12 * HOUR_S", "off_delay_s=14 * HOUR_S", TABLE),
        ("table: warm water rises", "alarms/table.py", "on_delay_s=10 * MINUTE_S", "on_delay_s=11 * MINUTE_S", TABLE),
        ("table: pH rises", "alarms/table.py", "on_delay_s=30 * MINUTE_S", "on_delay_s=33 * MINUTE_S", TABLE),
    )
)


def unchanged(tests: tuple[str, ...]) -> bool:
    """Whether these tests pass on the tree as it is: without that, 'killed' would say nothing."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(SOURCE, Path(folder) / "rushlight", ignore=shutil.ignore_patterns("__pycache__"))
        return passes(Path(folder), tests) == 0


def passes(folder: Path, tests: tuple[str, ...]) -> int:
    """Run these tests against the package in the folder; the runner's exit status."""
    env = os.environ | {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-profile=ci", *tests]
    return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False).returncode


def tried(mutant: Mutant) -> str:
    """'killed', 'survived' or 'gone' where the constant is not there any more."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(SOURCE, Path(folder) / "rushlight", ignore=shutil.ignore_patterns("__pycache__"))
        file = Path(folder) / "rushlight" / mutant.file
        text = file.read_text()
        if mutant.old not in text:
            return "gone"
        file.write_text(text.replace(mutant.old, mutant.new, 1))
        done = passes(Path(folder), mutant.tests)
        return "survived" if done == 0 else "killed" if done == 1 else f"error {done}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="only constants whose name holds one of these")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    mutants = [m for m in MUTANTS if not asked.names or any(n in m.name for n in asked.names)]
    for tests in sorted({m.tests for m in mutants}):
        if not unchanged(tests):
            sys.exit(f"these fail without any change: {' '.join(tests)}")
    results: list[str] = []
    with ThreadPoolExecutor(asked.jobs) as pool:
        for mutant, result in zip(mutants, pool.map(tried, mutants), strict=True):
            results.append(result)
            print(f"{result:9} {mutant.name:36} {mutant.old} -> {mutant.new}", flush=True)
    print(f"{len(results)} constants: " + ", ".join(f"{results.count(r)} {r}" for r in sorted(set(results))))


if __name__ == "__main__":
    main()
