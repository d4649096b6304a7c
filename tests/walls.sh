#!/usr/bin/env bash
# Checks what each room imports against tests/walls.toml, on the tree it stands in: 0 the walls hold, 1 every breach is
# named.  Uses the test environment where there is one, else makes a small one of its own.
set -euo pipefail
cd "$(dirname "$0")/.."
python=${RUSHLIGHT_PYTHON:-python3}
tests=.venv-test-$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
env=$tests
if ! [[ -x $env/bin/python ]] || ! "$env/bin/python" -c 'import grimp' 2>/dev/null; then
    env=.venv-walls
    if ! [[ -x $env/bin/python ]] || ! "$env/bin/python" -c 'import grimp' 2>/dev/null; then
        "$python" -m venv "$env"
        "$env/bin/pip" install -q --disable-pip-version-check 'grimp>=3'
    fi
fi
exec "$env/bin/python" tests/walls.py "$@"
