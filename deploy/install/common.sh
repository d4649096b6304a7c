# Shared by the parts of install.sh: the names of places, and the one door through which changes pass.
# shellcheck shell=bash disable=SC2034,SC2154 # the other parts use the places; the options come from install.sh

opt=/opt/rushlight
etc=/etc/rushlight
state=/var/lib/rushlight
command_file=/usr/local/bin/rushlight
unit_file=/etc/systemd/system/rushlight.service
udev_file=/etc/udev/rules.d/60-rushlight.rules
modules_file=/etc/modules-load.d/rushlight.conf
watchdog_file=/etc/systemd/system.conf.d/60-rushlight.conf
journald_file=/etc/systemd/journald.conf.d/60-rushlight.conf

changes=0

say() { printf '%s\n' "$*"; }
note() { printf 'note: %s\n' "$*"; }
die() {
    printf 'install.sh: %s\n' "$*" >&2
    exit 1
}

# change TEXT COMMAND...: the only way to change the system.  In a dry run the text is all that happens.
change() {
    local text=$1
    shift
    changes=$((changes + 1))
    if [[ $dry_run == yes ]]; then
        say "would $text"
    else
        say "$text"
        "$@"
    fi
}

# put MODE OWNER FILE: standard input becomes FILE, unless FILE is the same already.  Sets put_changed.
put() {
    local mode=$1 owner=$2 file=$3 text
    text=$(cat && printf x) # the x keeps a last newline, which $() would drop
    text=${text%x}
    put_changed=no
    if [[ -f $file && $(cat "$file" && printf x) == "${text}x" &&
        $(stat -c '%a %U:%G' "$file") == "${mode#0} $owner" ]]; then
        return
    fi
    put_changed=yes
    change "write $file" write_whole "$mode" "$owner" "$file" "$text"
}

# write_whole MODE OWNER FILE TEXT: never leaves a half-written file, nor one that the wrong people can read.
write_whole() {
    local mode=$1 owner=$2 file=$3 text=$4
    mkdir -p "$(dirname "$file")"
    (
        umask 077
        printf '%s' "$text" >"$file.new"
    )
    chown "$owner" "$file.new"
    chmod "$mode" "$file.new"
    sync "$file.new"
    mv -T "$file.new" "$file"
}

# folder MODE OWNER PATH
folder() {
    if [[ $(stat -c '%a %U:%G' "$3" 2>/dev/null) != "${1#0} $2" ]]; then
        change "create folder $3 ($2, $1)" install -d -m "$1" -o "${2%:*}" -g "${2#*:}" "$3"
    fi
}

as_user() { runuser -u rushlight -- "$@"; }

have() { command -v "$1" >/dev/null 2>&1; }

service_active() { systemctl is-active --quiet rushlight.service 2>/dev/null; }
