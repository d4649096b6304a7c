#!/usr/bin/env bash
# Makes its own environment, installs rushlight into it, and shows the main job on invented tanks: a year in
# seconds, then live.  Touches nothing outside this folder's .try.  Extra arguments go to `rushlight demo`.
set -euo pipefail
cd "$(dirname "$0")/.."

python=${RUSHLIGHT_PYTHON:-python3}
if ! "$python" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    echo "needs Python 3.11 or later with venv (Debian: apt-get install python3-venv)" >&2
    exit 1
fi
venv=.try/venv
if [[ ! -e $venv/.installed || pyproject.toml -nt $venv/.installed ]]; then
    echo "installing into $venv …"
    "$python" -m venv "$venv"
    "$venv/bin/pip" install -q --disable-pip-version-check -e .
    touch "$venv/.installed"
fi
exec "$venv/bin/rushlight" demo --folder .try/data "$@"
