#!/usr/bin/env bash
# Installs rushlight on Raspberry Pi OS 64-bit or Debian (12 and 13), upgrades it, rolls it back, removes it.
# Run it as often as you like: what is already as it should be is left alone.
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
source_tree=$(dirname "$here")

usage() {
    cat <<'HELP'
Usage: sudo deploy/install.sh [OPTION]...

Installs this source tree, or upgrades to it: own user, own Python environment below /opt/rushlight, service,
device rules, hardware watchdog, limits for the log, and a first configuration from the probes it finds.

  --dry-run         say what would be changed, change nothing (needs no root)
  --yes             ask nothing; take what is found and the defaults
  --broker          also set up an MQTT broker with passwords and TLS, for wireless boards and the hub
  --wheels FOLDER   take the Python packages from FOLDER, not from the network
  --no-start        install, but leave the service stopped
  --roll-back       go back to the release before this one
  --uninstall       remove the program; configuration and journal stay
  --any-system      go on although this is not Debian 12 or 13
  -h, --help        this text

The program watches and switches nothing.  Before the first probe gets wet, read deploy/electrical-safety.md.
Exit status: 0 done; 1 it did not work (and what was there before still runs); 2 wrong usage.
HELP
}

dry_run=no ask=yes broker=no wheels='' start=yes task=install_all any_system=no
while (($#)); do
    case $1 in
        --dry-run) dry_run=yes ;;
        --yes) ask=no ;;
        --broker) broker=yes ;;
        --wheels)
            wheels=${2:?--wheels needs a folder}
            shift
            ;;
        --no-start) start=no ;;
        --roll-back) task=roll_back ;;
        --uninstall) task=uninstall ;;
        --any-system) any_system=yes ;;
        -h | --help)
            usage
            exit 0
            ;;
        *)
            echo "$0: unknown option $1; see --help" >&2
            exit 2
            ;;
    esac
    shift
done
[[ -t 0 ]] || ask=no
# A broker that was set up once is kept, and comes back with the configuration on a new card.
[[ ! -d /etc/rushlight/broker ]] || broker=yes
export DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8

# shellcheck source=install/common.sh
source "$here/install/common.sh"
# shellcheck source=install/system.sh
source "$here/install/system.sh"
# shellcheck source=install/release.sh
source "$here/install/release.sh"
# shellcheck source=install/config.sh
source "$here/install/config.sh"
# shellcheck source=install/broker.sh
source "$here/install/broker.sh"
# shellcheck source=install/removal.sh
source "$here/install/removal.sh"

install_all() {
    check_system
    install_packages
    create_user
    build_release
    write_config
    equip_releases
    install_service
    install_device_rules
    limit_log
    arm_hardware_watchdog
    if [[ $broker == yes ]]; then install_broker; fi
    switch_release
    drop_old_releases
    report
    guide
}

# The rest of the way, from a running service to a message that a person has in hand.
guide() {
    if [[ $dry_run == no && $ask == yes && $start == yes && ${first_configuration:-no} == yes ]]; then
        "$command_file" setup || note "not ready yet; run the guide again at any time: sudo rushlight setup"
    fi
}

if [[ $dry_run == no && $EUID -ne 0 ]]; then
    die "this changes the system: run it with sudo, or look first with --dry-run"
fi
"$task"
