#!/bin/sh
# Fetch a Debian package and unpack it into a folder, without root and without installing it.
#   sh tools/fetch_deb.sh PACKAGE FOLDER
set -eu
package=$1
folder=$2
command -v apt-get >/dev/null 2>&1 && command -v dpkg >/dev/null 2>&1 || exit 1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
chmod 755 "$work"

download() { (cd "$work" && apt-get "$@" download "$package" >/dev/null 2>&1); }

if ! download; then
    # No package lists on this machine (a container, say): read them into a folder of our own.
    mkdir -p "$work/lists/partial" "$work/cache/archives/partial"
    own="-o Dir::State::lists=$work/lists -o Dir::Cache=$work/cache -o Debug::NoLocking=1"
    apt-get $own update >/dev/null 2>&1 || true
    download $own || exit 1
fi
for deb in "$work"/*.deb; do dpkg -x "$deb" "$folder"; done
