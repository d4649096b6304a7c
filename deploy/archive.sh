#!/usr/bin/env bash
# Packs what is installed into rushlight-VERSION.tar.gz, with its SHA-256 beside it.  The same tree makes the same
# bytes, whoever packs it and when.
#
#   bash deploy/archive.sh FOLDER
#
# Exit status: 0 packed (both names are printed); 1 it did not work; 2 wrong usage.
set -euo pipefail
export LC_ALL=C TZ=UTC
if (($# != 1)); then
    echo "usage: $0 FOLDER" >&2
    exit 2
fi
folder=$(realpath -m "$1")
mkdir -p "$folder"
cd "$(dirname "$0")/.."
version=$(sed -n 's/^version = "\(.*\)"$/\1/p' pyproject.toml | head -n 1)
name=rushlight-$version
parts=(pyproject.toml README.md config.example.toml daemon drivers deploy)

find "${parts[@]}" -type f ! -path '*/__pycache__/*' ! -path '*.egg-info/*' -print0 | sort -z |
    tar --null --no-recursion -T - --transform "s,^,$name/," --owner=0 --group=0 --numeric-owner \
        --mtime=@315532800 --mode='u=rwX,go=rX' -cf - | gzip -n -9 >"$folder/$name.tar.gz.part"
mv "$folder/$name.tar.gz.part" "$folder/$name.tar.gz"
(cd "$folder" && sha256sum "$name.tar.gz" >"$name.tar.gz.sha256")
echo "$folder/$name.tar.gz"
echo "$folder/$name.tar.gz.sha256"
