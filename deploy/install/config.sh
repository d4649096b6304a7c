# The first configuration, proposed from the probes that are plugged in.  An existing one is never touched.
# shellcheck shell=bash disable=SC2034,SC2154 # the places come from common.sh, the options from install.sh

write_config() {
    if [[ -e $etc/config.toml ]]; then
        own root:rushlight "$etc"
        own rushlight:rushlight "$state"
        return
    fi
    first_configuration=yes
    change "write $etc/config.toml from the probes found" propose_config
}

propose_config() {
    local text options=(--data-folder "$state")
    if [[ $ask == yes ]]; then options+=(--ask); fi
    # The questions go to the terminal by standard error, the configuration to standard output.
    text=$("$opt/$release/bin/python" -m rushlight.guide.first "${options[@]}") || die "no configuration could be proposed"
    # Not readable by others: it may come to hold a token.
    write_whole 0640 root:rushlight "$etc/config.toml" "$text"$'\n'
}

# own OWNER FOLDER: what came from another system, by a copy or a backup, carries that system's user numbers.
own() {
    getent passwd rushlight >/dev/null || return 0
    if [[ -n $(find "$2" ! -user "${1%:*}" -o ! -group "${1#*:}") ]]; then
        change "give everything in $2 to $1" chown -R "$1" "$2"
    fi
}
