#!/usr/bin/env bash
# Installs what the tests need on a fresh machine (Debian packages when root, its own environment), then runs
# everything: style, types, layers, tests.  RUSHLIGHT_PYTHON names another interpreter than python3.
set -euo pipefail
cd "$(dirname "$0")/.."
# A machine that writes no bytecode compiles the program anew for each of the hundreds of processes that the tests start.
unset PYTHONDONTWRITEBYTECODE

packages=(mosquitto mosquitto-clients socat chromium-headless-shell fonts-dejavu-core victoria-metrics prometheus prometheus-alertmanager gnupg apt-utils systemd systemd-container debootstrap openssl shellcheck)
missing=()
for p in "${packages[@]}"; do
    dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'ok installed' || missing+=("$p")
done
if ((${#missing[@]})); then
    if ((EUID == 0)); then
        apt-get update -qq
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
    else
        echo "not root: tests that need these are skipped: ${missing[*]}" >&2
    fi
fi

python=${RUSHLIGHT_PYTHON:-python3}
venv=.venv-test-$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
stamp=$venv/.installed
if [[ ! -e $stamp || pyproject.toml -nt $stamp ]]; then
    "$python" -m venv "$venv"
    # Two thirds of what is installed is never imported, so only what is gets compiled, when it is.
    "$venv/bin/pip" install -q --disable-pip-version-check --no-compile -e '.[test]'
    touch "$stamp"
fi
export PATH="$PWD/$venv/bin:$PATH"

ruff check .
ruff format --check .
# Types and walls take a processor a minute or two; much of the tests is waiting.
mkdir -p build
(mypy && bash tests/walls.sh) >build/types.log 2>&1 &
types=$!
# Every screen and state of the page as a picture, phone and desk, light and dark, for a person to look at.
export RUSHLIGHT_SCREENS="${RUSHLIGHT_SCREENS-$PWD/build/screens}"
# The property tests try the same examples every time, so that a red run points at the change that caused it; a plain
# `pytest` goes on exploring.
failed=0
# On a fresh tree each worker would prepare every file of tests for itself; one look over them, beside the types, does it
# for all.  What is wrong with a file the run itself tells.
[[ -e tests/web/__pycache__ ]] || pytest --collect-only -q >/dev/null 2>&1 || true
# Half of a run is waiting for daemons, brokers and machines: with six workers two cores are seldom idle.
pytest --hypothesis-profile=ci -n 6 --dist loadfile --no-loadscope-reorder --durations=40 "$@" || failed=1
wait "$types" || {
    cat build/types.log
    exit 1
}
((failed)) || exit 0
# Many tests run real brokers, daemons and browsers against the clock; beside each other on a small machine one may
# miss its moment.  What failed is run once more by itself: a fault of ours fails again, and the run with it.
echo "--- once more, by themselves ---"
exec pytest --hypothesis-profile=ci --last-failed --last-failed-no-failures none
