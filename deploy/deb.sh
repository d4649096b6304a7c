#!/usr/bin/env bash
# Makes a Debian package of this tree: rushlight_VERSION_all.deb.  Installing it runs install.sh without questions,
# upgrading it upgrades with the same self-test and the same way back; configuration and data stay on upgrade, removal
# and purge.  The Python packages come from the network, each known by its hash, as with install.sh.
#
#   bash deploy/deb.sh FOLDER
#
# Exit status: 0 made (its name is printed); 1 it did not work; 2 wrong usage.
set -euo pipefail
export LC_ALL=C TZ=UTC SOURCE_DATE_EPOCH=315532800
if (($# != 1)); then
    echo "usage: $0 FOLDER" >&2
    exit 2
fi
folder=$(realpath -m "$1")
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$folder"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
chmod 0755 "$work"

# Its first line; a `head` that has seen enough would end it with a broken pipe, now and then.
archive=$(bash "$here/archive.sh" "$work")
archive=${archive%%$'\n'*}
version=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$here/../pyproject.toml" | head -n 1)
# What the program says of itself must be what the package says: a fleet waits for that version to be heard.
if ! grep -qxF "__version__ = \"$version\"" "$here/../daemon/rushlight/__init__.py"; then
    echo "pyproject.toml says version $version, daemon/rushlight/__init__.py another" >&2
    exit 1
fi
root=$work/root
source=$root/usr/share/rushlight/source
doc=$root/usr/share/doc/rushlight
install -d -m 0755 "$source" "$doc" "$root/DEBIAN"
tar -xzf "$archive" -C "$source" --strip-components=1

cat >"$root/DEBIAN/control" <<CONTROL
Package: rushlight
Version: $version
Architecture: all
Maintainer: rushlight maintainers <maintainers@rushlight.invalid>
Section: science
Priority: optional
Depends: python3 (>= 3.11), python3-venv, systemd
Recommends: openssl, mosquitto
Description: watches planted freshwater tanks
 Reads cheap probes, takes strip tests that are entered by hand, works out
 whether the plants keep up with the feed, says when the next test is due,
 and tells a person in time. It only watches; it switches nothing.
CONTROL

# Where there is no running system (an image that is being built) the first boot's administrator runs install.sh.
cat >"$root/DEBIAN/postinst" <<'POSTINST'
#!/bin/sh
set -e
if [ "$1" = configure ]; then
    if [ -d /run/systemd/system ]; then
        bash /usr/share/rushlight/source/deploy/install.sh --yes </dev/null
        echo "next, until an alarm is in your hand: sudo rushlight setup"
    else
        echo "no running system: run bash /usr/share/rushlight/source/deploy/install.sh there"
    fi
fi
POSTINST
cat >"$root/DEBIAN/prerm" <<'PRERM'
#!/bin/sh
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
    bash /usr/share/rushlight/source/deploy/install.sh --uninstall </dev/null
fi
PRERM
chmod 0755 "$root/DEBIAN/postinst" "$root/DEBIAN/prerm"

cat >"$doc/copyright" <<'RIGHTS'
Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/
Upstream-Name: rushlight

Files: *
Copyright: 2025-2026 rushlight maintainers
License: Expat
 The terms are those that SPDX lists under the identifier MIT: https://spdx.org/licenses/MIT
RIGHTS
printf 'rushlight (%s) stable; urgency=medium\n\n  * Packed by deploy/deb.sh.\n\n -- rushlight maintainers <maintainers@rushlight.invalid>  Tue, 01 Jan 1980 00:00:00 +0000\n' \
    "$version" | gzip -n -9 >"$doc/changelog.gz"

find "$root" -type d -exec chmod 0755 {} +
find "$root" -newermt @315532800 -exec touch -h -d @315532800 {} +
dpkg-deb --root-owner-group -Zxz --build "$root" "$folder/rushlight_${version}_all.deb" >/dev/null
echo "$folder/rushlight_${version}_all.deb"
