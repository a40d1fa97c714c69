#!/bin/sh
# Put the public-domain General MIDI bank into soundfonts/fetched/ (ignored by git), so that what the demo
# renders may be handed on freely.  Where it cannot be had, the embedded soundfont serves.
set -u
here=$(cd "$(dirname "$0")/.." && pwd)
bank="$here/soundfonts/fetched/sf_GMbank.sf2"
[ -s "$bank" ] && exit 0
mkdir -p "${bank%/*}"
fetched=$(mktemp -d)
trap 'rm -rf "$fetched"' EXIT
if sh "$here/tools/fetch_deb.sh" csound-soundfont "$fetched"; then
    found=$(find "$fetched" -name sf_GMbank.sf2 -type f | head -n 1)
    if [ -n "$found" ] && cp "$found" "$bank.part" && mv "$bank.part" "$bank"; then
        echo "Fetched the public-domain soundfont GMbank into soundfonts/fetched/."
        exit 0
    fi
fi
echo "The public-domain soundfont could not be fetched here (it takes apt and a connection);"
echo "what is on this machine serves. See soundfonts/README.md for better ones."
