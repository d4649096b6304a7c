# Building a release beside the running one, trying it, switching to it, and going back.
# shellcheck shell=bash disable=SC2154 # the places come from common.sh, the options from install.sh

older=
parts=(pyproject.toml README.md daemon drivers deploy)
if [[ -e $source_tree/config.example.toml ]]; then parts+=(config.example.toml); fi

source_files() {
    (cd "$source_tree" && find "${parts[@]}" -type f ! -path '*/__pycache__/*' ! -path '*.egg-info/*' -print0 |
        sort -z)
}

# version-digest-python: a change in the sources or in the system's Python makes another release.
release_name() {
    local version digest python
    version=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$source_tree/pyproject.toml" | head -n 1)
    digest=$(cd "$source_tree" && source_files | xargs -0 sha256sum | sha256sum | cut -c 1-8)
    python=$(python3 -c 'import sys; print("py%d.%d" % sys.version_info[:2])')
    echo "$version-$digest-$python"
}

# The sets of packages that only some configurations use, one a line.
extras() {
    local extra
    for extra in timeseries services; do
        if grep -qs "^\[$extra\]" "$etc/config.toml"; then echo "$extra"; fi
    done
}

build_release() {
    release=$(release_name)
    if [[ -e $opt/$release/.complete ]]; then return; fi
    change "build release $opt/$release" build_into "$opt/$release"
}

build_into() {
    local target=$1 copy
    copy=$(mktemp -d)
    rm -rf "$target"
    mkdir -p "$target"
    # Building writes beside the sources, so it is done to a copy.
    source_files | (cd "$source_tree" && xargs -0 cp --parents -t "$copy")
    python3 -m venv "$target" || die "the Python environment could not be made"
    if ! install_locked "$target" "$copy"; then
        rm -rf "$target" "$copy"
        die "the Python packages could not be installed: is there a network?  What was there before is untouched; \
without a network take --wheels, see deploy/install.md"
    fi
    mkdir -p "$target/share/rushlight"
    cp -r "$copy/deploy" "$copy"/*.md "$copy"/*.toml "$target/share/rushlight/"
    rm -rf "$copy"
    touch "$target/.complete"
}

# install_locked TARGET COPY: the packages that were tested with, each file known by its hash; then the program itself.
install_locked() {
    local target=$1 copy=$2 lock
    lock=$(tested_with "$copy") || return 1
    fetch_into "$target" --require-hashes --only-binary ':all:' -r "$lock" &&
        fetch_into "$target" --no-deps --no-build-isolation "rushlight @ file://$copy"
}

# tested_with SOURCES: the list of packages for the system's Python.
tested_with() {
    local lock
    lock=$1/deploy/lock/py$(python3 -c 'import sys; print("%d.%d" % sys.version_info[:2])').txt
    [[ -e $lock ]] || die "no packages were tested with $(python3 --version); those are in deploy/lock"
    echo "$lock"
}

# fetch_into RELEASE_FOLDER WORD...
fetch_into() {
    local pip=("$1/bin/pip" --disable-pip-version-check --no-cache-dir -q install)
    if [[ -n $wheels ]]; then pip+=(--no-index --find-links "$wheels"); fi
    "${pip[@]}" "${@:2}"
}

# The release that is to run and those that one may go back to get what the configuration uses besides: a release
# without it would run and send nothing.
equip_releases() {
    local found
    equipped=no
    for found in $(printf '%s\n' "$release" "$(current_release)" "$(previous_release)" | sort -u); do
        if equip "$found"; then continue; fi
        [[ $found != "$release" ]] || die "the packages that the configuration uses besides could not be installed: is \
there a network?  What was there before is untouched; without a network take --wheels, see deploy/install.md"
        note "$found lacks packages that the configuration uses, and they could not be fetched: going back to it would \
leave that part of the configuration without effect"
    done
}

# equip RELEASE: with the very packages that were tested with it.  Nothing that it has is changed.
equip() {
    local lock status=0
    for lock in $(lacking "$1"); do
        if [[ $1 == "${release:-}" ]]; then equipped=yes; fi
        change "add to $opt/$1 what $(basename "$lock" .txt) names" \
            fetch_into "$opt/$1" --require-hashes --only-binary ':all:' -r "$lock" || status=1
    done
    return "$status"
}

# Lists of packages, one a line, that the configuration uses and this release has not.
lacking() {
    local extra lock
    for extra in $(extras); do
        lock=$opt/$1/share/rushlight/deploy/lock/${1##*-}-$extra.txt
        # A release of another Python, or not built yet, can't be asked.
        if [[ -e $lock ]] && "$opt/$1/bin/python" -c '' 2>/dev/null && ! has_all "$1" "$lock"; then echo "$lock"; fi
    done
}

has_all() {
    "$opt/$1/bin/python" - "$2" <<'PY'
import importlib.metadata, re, sys
there = {re.sub("[-_.]+", "-", d.metadata["Name"]).lower() for d in importlib.metadata.distributions()}
sys.exit(not there.issuperset(re.findall("^([a-z0-9-]+)==", open(sys.argv[1]).read(), re.MULTILINE)))
PY
}

current_release() { basename "$(readlink "$opt/current" 2>/dev/null)" 2>/dev/null || true; }
previous_release() { basename "$(readlink "$opt/previous" 2>/dev/null)" 2>/dev/null || true; }

# point NAME RELEASE: the link changes in one step, so there is no moment without a release.
point() {
    ln -sfn "$2" "$opt/$1.new"
    mv -T "$opt/$1.new" "$opt/$1"
}

# Only the configuration and the program itself are judged: a probe that is unplugged or a server that is down is no
# reason against a release.
self_test() {
    local said status=0
    said=$(as_user "$opt/$1/bin/rushlight" check --no-probes --config "$etc/config.toml" 2>&1) || status=$?
    # The second wording is that of releases before this one, to which one may go back.
    if ((status > 1)) || [[ $said != "The configuration is sound"* && $said != "configuration: well"* ]] ||
        [[ $said == *Traceback* ]]; then
        say "$said"
        return 1
    fi
}

switch_release() {
    local old
    old=$(current_release)
    if [[ $old != "$release" ]]; then
        change "switch $opt/current to $release (self-test first)" switch_to "$release" "$old"
    elif [[ $equipped == yes && $start == yes ]] && service_active; then
        change "stop rushlight.service, as packages were added (self-test first)" stop_equipped
    fi
    if [[ $start == yes ]] && ! service_active; then
        change "start rushlight.service" start_or_go_back "$old"
    fi
}

switch_to() {
    local new=$1 old=$2
    if ! self_test "$new"; then
        if [[ -z $old ]]; then
            point current "$new" # so that `rushlight check` is there to help
            die "the self-test failed: mend $etc/config.toml (sudo rushlight check tells what), then run this again"
        fi
        rm -rf "${opt:?}/$new"
        die "the new release does not pass its self-test with your configuration; $old goes on running"
    fi
    if [[ -z $old ]]; then
        point current "$new"
        return
    fi
    keep_journal "$old" "$new"
    older=$(previous_release)
    point previous "$old"
    point current "$new"
    if service_active; then
        systemctl stop rushlight.service
    fi
}

stop_equipped() {
    self_test "$release" || die "mend $etc/config.toml (sudo rushlight check tells what), then run this again"
    systemctl stop rushlight.service
}

# A newer release may bring the journal to a form that the older one can't read, so a copy is made before.
keep_journal() {
    local old=$1 new=$2 copy
    [[ -e $state/journal.sqlite ]] || return 0
    as_user mkdir -p "$state/before-upgrade"
    if copy=$(as_user env STATE_DIRECTORY="$state" "$opt/$old/bin/rushlight" backup --config "$etc/config.toml" \
        --to "$state/before-upgrade"); then
        say "journal copied to $copy"
        printf '%s\n' "$copy" >"$opt/$new/.journal-before"
    else
        die "the journal could not be copied before the upgrade; $old goes on running"
    fi
}

start_or_go_back() {
    local old=$1
    if [[ $old == "$release" ]]; then
        self_test "$release" || die "mend $etc/config.toml (sudo rushlight check tells what), then run this again"
    fi
    if comes_up; then return; fi
    systemctl stop rushlight.service || true
    if [[ -z $old || $old == "$(current_release)" ]]; then
        die "the service does not come up; look at: journalctl -u rushlight -n 50"
    fi
    say "the new release does not come up; going back to $old"
    go_back_to "$old"
    comes_up || die "the release before does not come up either; look at: journalctl -u rushlight -n 50"
    # What never ran is no release to go back to.
    if [[ -n $older ]]; then point previous "$older"; else rm -f "$opt/previous"; fi
    rm -rf "${opt:?}/$release"
    die "rolled back to $old, which runs; what went wrong: journalctl -u rushlight -n 200"
}

# The service says itself when it is ready; after that it has to stay up for a while.
comes_up() {
    systemctl reset-failed rushlight.service 2>/dev/null || true
    systemctl start rushlight.service || return 1
    local before
    before=$(systemctl show -P NRestarts rushlight.service)
    sleep 6
    service_active && [[ $(systemctl show -P NRestarts rushlight.service) == "$before" ]]
}

go_back_to() {
    local target=$1 from copy
    from=$(current_release)
    point current "$target"
    point previous "$from"
    put 0644 root:root "$unit_file" <"$opt/$target/share/rushlight/deploy/systemd/rushlight.service"
    systemctl daemon-reload
    copy=$(cat "$opt/$from/.journal-before" 2>/dev/null || true)
    if [[ -n $copy ]] && ! readable_by "$target"; then
        as_user env STATE_DIRECTORY="$state" "$opt/$target/bin/rushlight" restore --config "$etc/config.toml" \
            --replace "$copy"
        note "$target can't read the journal as the newer release left it; the copy from before the upgrade is in place"
        note "what was entered since is kept beside it, in $state"
    fi
}

# Whether a release knows the form that the journal now has.
readable_by() {
    as_user "$opt/$1/bin/python" - "$state/journal.sqlite" <<'PY'
import sqlite3, sys
from rushlight.journal import schema
found = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True).execute("PRAGMA user_version").fetchone()[0]
sys.exit(found > schema.VERSION)
PY
}

roll_back() {
    local target
    target=$(previous_release)
    [[ -n $target && -e $opt/$target/.complete ]] || die "there is no release to go back to"
    equip "$target" || note "$target runs without packages that the configuration uses, for they could not be fetched: that \
part of the configuration has no effect; run the installer again when there is a network"
    change "roll back from $(current_release) to $target" roll_back_to "$target"
}

roll_back_to() {
    if service_active; then systemctl stop rushlight.service; fi
    go_back_to "$1"
    comes_up || die "$1 does not come up; look at: journalctl -u rushlight -n 50"
    say "rushlight $1 runs"
}

# The running release and the one before it stay.
drop_old_releases() {
    local found name keep
    keep=" $release $(current_release) $(previous_release) "
    for found in "$opt"/*/; do
        name=$(basename "$found")
        [[ -L ${found%/} || $keep == *" $name "* || ! -e $found/pyvenv.cfg ]] && continue
        change "remove old release $opt/$name" rm -rf "${opt:?}/$name"
    done
}
