# Removing the program.  What the keeper has entered and measured is never removed here.
# shellcheck shell=bash disable=SC2154 # the places come from common.sh, the options from install.sh

uninstall() {
    local found
    if service_active; then change "stop rushlight.service" systemctl stop rushlight.service; fi
    if systemctl is-enabled --quiet rushlight.service 2>/dev/null; then
        change "disable rushlight.service" systemctl disable --quiet rushlight.service
    fi
    if systemctl is-enabled --quiet rushlight-broker.timer 2>/dev/null; then
        change "disable rushlight-broker.timer" systemctl disable --quiet --now rushlight-broker.timer
    fi
    for found in "$unit_file" "$command_file" "$udev_file" "$modules_file" "$journald_file" "$watchdog_file" \
        /etc/mosquitto/conf.d/rushlight.conf /etc/systemd/system/rushlight-broker.{service,timer}; do
        if [[ -e $found ]]; then change "remove $found" rm -f "$found"; fi
    done
    for found in "$opt" /etc/mosquitto/rushlight; do
        if [[ -e $found ]]; then change "remove $found" rm -rf "$found"; fi
    done
    if [[ $dry_run == no ]]; then
        systemctl daemon-reload
        if systemctl is-active --quiet mosquitto.service; then systemctl restart mosquitto.service || true; fi
    fi
    ((changes)) || say "nothing to remove"
    say "left in place: $etc (configuration), $state (journal and backups), user rushlight, Debian packages"
    say "to remove these too: sudo rm -r $etc $state && sudo userdel rushlight"
}
