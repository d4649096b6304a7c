#!/usr/bin/env bash
# Makes the locked sets of Python packages anew: for each Python the versions that ship, with the hashes of their
# files.  Needs the network and `uv` (pip install uv).  tests/deploy/test_lock.py holds them against pyproject.toml.
set -euo pipefail
cd "$(dirname "$0")/../.."

compile() {
    uv pip compile --quiet --generate-hashes --no-annotate --python-platform linux \
        --custom-compile-command 'bash deploy/lock/make.sh' --constraints deploy/lock/constraints.txt "$@"
}

for python in 3.11 3.12 3.13; do
    base=deploy/lock/py$python.txt
    # What every installation has, and what building the program's own wheel takes.
    compile --python-version "$python" --upgrade --extra pictures pyproject.toml deploy/lock/build.in -o "$base"
    for extra in timeseries services; do
        # The same versions of what both have; installed beside the base where the configuration uses it.
        compile --python-version "$python" --upgrade --constraints "$base" --extra pictures --extra "$extra" \
            pyproject.toml deploy/lock/build.in -o "deploy/lock/py$python-$extra.txt"
    done
done
