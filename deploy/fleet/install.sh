#!/usr/bin/env bash
# Installs the fleet's side: `hub` for the machine with the store, `pi` for each Pi.  Run it again after an upgrade.
#
#   sudo bash deploy/fleet/install.sh hub HOST     HOST: name or address under which the Pis reach this machine
#   sudo bash deploy/fleet/install.sh pi
#
# Exit status: 0 done; 1 it did not work; 2 wrong usage.
set -euo pipefail
export LC_ALL=C DEBIAN_FRONTEND=noninteractive
side=${1:-} host=${2:-}
if ! [[ $side == pi && $# == 1 || $side == hub && $# == 2 ]]; then
    echo "usage: $0 hub HOST | $0 pi" >&2
    exit 2
fi
here=$(cd "$(dirname "$0")" && pwd)
lib=/usr/local/lib/rushlight-fleet

# units NAME...: put in place and, with a running system, known.
units() {
    local unit
    for unit in "$@"; do install -m 0644 "$here/systemd/$unit" "/etc/systemd/system/$unit"; done
    if [[ -d /run/systemd/system ]]; then systemctl daemon-reload; fi
}

install -d -m 0755 "$lib" "$lib/rules"
install -m 0644 "$here"/*.py "$here/panels.toml" "$lib/"
install -m 0644 "$here"/rules/*.yml "$lib/rules/"
printf '#!/bin/sh\nexec python3 %s "$@"\n' "$lib" >/usr/local/sbin/fleet
chmod 0755 /usr/local/sbin/fleet

if [[ $side == pi ]]; then
    units rushlight-fleet-update.service rushlight-fleet-update.timer
    exit 0
fi

apt-get -qq update
apt-get -qq -y --no-install-recommends install victoria-metrics prometheus prometheus-alertmanager \
    openssl apt-utils gnupg python3
/usr/local/sbin/fleet init --host "$host"
out=/etc/rushlight-fleet/out
install -d -m 0755 /etc/rushlight-fleet/packages
ln -sf "$out/store.env" /etc/default/victoria-metrics
ln -sf "$out/rules.env" /etc/default/prometheus
ln -sf "$out/router.env" /etc/default/prometheus-alertmanager
units rushlight-fleet-agent.service rushlight-fleet-auth.service rushlight-fleet-packages.service \
    rushlight-fleet-router-twin.service
if [[ -d /run/systemd/system ]]; then
    all=(victoria-metrics prometheus prometheus-alertmanager rushlight-fleet-agent rushlight-fleet-auth
        rushlight-fleet-packages rushlight-fleet-router-twin)
    systemctl enable "${all[@]}"
    systemctl restart "${all[@]}"
fi
