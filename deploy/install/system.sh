# What install.sh does to the system around the program.
# shellcheck shell=bash disable=SC2154 # the places come from common.sh, the options from install.sh

check_system() {
    local id version_id arch
    id=$(. /etc/os-release && echo "$ID")
    version_id=$(. /etc/os-release && echo "${VERSION_ID:-}")
    if [[ $any_system == no && ! ($id == debian && ($version_id == 12 || $version_id == 13)) ]]; then
        die "made for Debian 12 and 13 and the Raspberry Pi OS built on them; this is $id $version_id (--any-system goes on)"
    fi
    arch=$(dpkg --print-architecture 2>/dev/null || uname -m)
    case $arch in
        arm64 | amd64 | armhf | aarch64 | x86_64 | armv7l) ;;
        *) die "this system is $arch; the libraries are ready-made for arm64, armhf (ARM version 7 or later) and amd64" ;;
    esac
    # A first Raspberry Pi and the first Zero call themselves armhf as well, and are of ARM version 6.
    [[ $(uname -m) != armv6* ]] || die "this board is $(uname -m); the libraries are ready-made for ARM version 7 and later"
    have python3 || die "there is no python3"
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || die "Python 3.11 or newer is needed"
    [[ -d /run/systemd/system || $dry_run == yes ]] || die "systemd is not running here"
    local free_kb
    free_kb=$(df -k --output=avail "$([[ -d /opt ]] && echo /opt || echo /)" | tail -n 1)
    ((free_kb > 500000)) || die "$((free_kb / 1000)) MB free in /opt; 500 MB are needed"
}

installed() { [[ $(dpkg-query -W -f='${Status}' "$1" 2>/dev/null) == *'ok installed' ]]; }

install_packages() {
    local wanted=(python3-venv) missing=() p
    if [[ $broker == yes ]]; then wanted+=(mosquitto openssl); fi
    for p in "${wanted[@]}"; do
        installed "$p" || missing+=("$p")
    done
    if ((${#missing[@]})); then
        change "install Debian packages: ${missing[*]}" apt_install "${missing[@]}"
    fi
}

apt_install() {
    apt-get update -qq || note "the package lists could not be refreshed; going on with those that are here"
    local said
    if ! said=$(apt-get install -y -qq --no-install-recommends "$@" 2>&1 >/dev/null); then
        printf '%s\n' "$said" | tail -n 3 >&2
        die "the Debian packages $* could not be installed: is there a network?  Nothing else was changed"
    fi
}

create_user() {
    if ! getent group rushlight >/dev/null; then
        change "create system group rushlight" groupadd --system rushlight
    fi
    if ! getent passwd rushlight >/dev/null; then
        change "create system user rushlight" useradd --system --gid rushlight --home-dir "$state" --no-create-home \
            --shell /usr/sbin/nologin --comment 'rushlight daemon' rushlight
    fi
    local group
    for group in dialout i2c gpio; do
        # Not every system has all of them.
        getent group "$group" >/dev/null || continue
        in_group rushlight "$group" || change "put rushlight into group $group" usermod -aG "$group" rushlight
    done
    if [[ -n ${SUDO_USER:-} && $SUDO_USER != root ]] && ! in_group "$SUDO_USER" rushlight; then
        change "put $SUDO_USER into group rushlight" usermod -aG rushlight "$SUDO_USER"
        note "log in again for the group to count; until then use sudo rushlight"
    fi
    folder 0770 rushlight:rushlight "$state"
    folder 0750 root:rushlight "$etc"
}

in_group() { [[ " $(id -nG "$1" 2>/dev/null) " == *" $2 "* ]]; }

install_service() {
    put 0644 root:root "$unit_file" <"$here/systemd/rushlight.service"
    reload_systemd=$put_changed
    # The commands touch the journal, so root uses them as the service's user: no file of it may end up root's.
    put 0755 root:root "$command_file" <<COMMAND
#!/bin/sh
export STATE_DIRECTORY=$state
# Only the guide stays root: it writes the configuration and restarts the service.
[ "\$1" != setup ] || exec $opt/current/bin/rushlight "\$@"
[ "\$(id -u)" -ne 0 ] || exec runuser -u rushlight -- $opt/current/bin/rushlight "\$@"
exec $opt/current/bin/rushlight "\$@"
COMMAND
    if [[ $reload_systemd == yes && $dry_run == no ]]; then systemctl daemon-reload; fi
    if ! systemctl is-enabled --quiet rushlight.service 2>/dev/null; then
        change "enable rushlight.service" systemctl enable --quiet rushlight.service
    fi
}

install_device_rules() {
    put 0644 root:root "$udev_file" <"$here/udev/60-rushlight.rules"
    if [[ $put_changed == yes && $dry_run == no ]] && [[ -S /run/udev/control ]]; then
        udevadm control --reload && udevadm trigger --subsystem-match=tty --subsystem-match=w1 --action=change
    fi
    put 0644 root:root "$modules_file" <<'MODULES'
# The service's device policy names kinds of serial port; the kernel must know these kinds when the service starts,
# also when no board is plugged in yet.
usbserial
cdc_acm
MODULES
    if [[ $put_changed == yes && $dry_run == no ]]; then
        modprobe -q -a usbserial cdc_acm 2>/dev/null || note "modules usbserial and cdc_acm could not be loaded now"
    fi
}

limit_log() {
    put 0644 root:root "$journald_file" <<'LOG'
# Keeps the log from filling the card.
[Journal]
SystemMaxUse=64M
RuntimeMaxUse=32M
LOG
    if [[ $put_changed == yes && $dry_run == no ]]; then systemctl restart systemd-journald.service; fi
}

arm_hardware_watchdog() {
    # The board's timer goes to 15 or 16 s; asked for more, some drivers refuse and leave it off.
    put 0644 root:root "$watchdog_file" <<'WATCHDOG'
# Restarts the board when the kernel hangs.  It proves nothing about the daemon, which has its own watchdog.
[Manager]
RuntimeWatchdogSec=14s
WATCHDOG
    if [[ $put_changed == yes && $dry_run == no ]]; then systemctl daemon-reexec; fi
}

report() {
    if [[ $dry_run == yes ]]; then
        say "$changes change(s) would be made"
        return
    fi
    say "$("$opt/current/bin/python" -c \
        'from rushlight.host import machine; print(machine.hardware_watchdog() or "hardware watchdog: this board shows none")')"
    ((changes)) || say "nothing to change"
    say "rushlight $(basename "$(readlink "$opt/current")") is installed; configuration: $etc/config.toml; data: $state"
    if [[ $ask == no ]]; then say "not proven yet that an alarm reaches anybody: sudo rushlight setup"; fi
    say "next: deploy/install.md, and before anything gets wet deploy/electrical-safety.md"
}
