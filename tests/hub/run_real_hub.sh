#!/bin/sh
# Tries the daemon against the hub software itself: entities, a strip, an acknowledgement, restarts, no ghosts.
# Not part of the suite: it installs some 800 MB and needs root for the network namespace that keeps the hub from
# the network around it (it listens for mDNS on every address).
#
#   sh tests/hub/run_real_hub.sh [FOLDER]
#
# FOLDER (default /var/tmp/rushlight-hub) keeps the hub's own environment between runs.
# A newer hub needs a newer Python than the system may have: RUSHLIGHT_HUB_ROOT names a directory with a whole
# system (debootstrap) and the hub in its /opt/ha, which is then used and nothing installed.
# RUSHLIGHT_HUB_PYTHON names a Python for it (3.13, from 3.13.0), RUSHLIGHT_HUB_VERSION its version,
# RUSHLIGHT_PYTHON the Python of an environment in which rushlight is installed with its tests.
set -eu
here=$(cd "$(dirname "$0")/../.." && pwd)
folder=${1:-/var/tmp/rushlight-hub}
version=${RUSHLIGHT_HUB_VERSION:-2025.4.4}
hub_python=${RUSHLIGHT_HUB_PYTHON:-python3.13}
python=${RUSHLIGHT_PYTHON:-$here/.venv/bin/python}
venv=$folder/venv

[ "$(id -u)" = 0 ] || { echo "must run as root: it makes a private network namespace" >&2; exit 2; }
command -v mosquitto >/dev/null || { echo "mosquitto is not installed" >&2; exit 2; }

run() { exec unshare -n -m sh -c 'ip link set lo up; exec "$@"' sh env PYTHONPATH="$here/tests" "$@"; }

if [ -n "${RUSHLIGHT_HUB_ROOT:-}" ]; then
    root=$RUSHLIGHT_HUB_ROOT
    run sh -c 'mount -t proc proc "$0/proc"; mount --bind /dev "$0/dev"; exec "$@"' "$root" \
        "$python" "$here/tests/hub/check_real_hub.py" --root "$root" chroot "$root" /opt/ha/bin/hass
fi

if [ ! -e "$venv/.installed-$version" ]; then
    echo "installing the hub, version $version, into $venv"
    mkdir -p "$folder"
    "$hub_python" -m venv "$venv"
    "$venv/bin/pip" install -q --disable-pip-version-check "homeassistant==$version"
    "$venv/bin/python" "$here/tests/hub/hub_requirements.py" > "$folder/requirements.txt"
    constraints=$("$venv/bin/python" -c 'import homeassistant, os; print(os.path.join(os.path.dirname(homeassistant.__file__), "package_constraints.txt"))')
    "$venv/bin/pip" install -q --disable-pip-version-check -c "$constraints" -r "$folder/requirements.txt"
    touch "$venv/.installed-$version"
fi

run "$python" "$here/tests/hub/check_real_hub.py" "$venv/bin/hass"
