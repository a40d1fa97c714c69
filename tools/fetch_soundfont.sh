#!/bin/sh
# Put the public-domain General MIDI bank into soundfonts/fetched/ (ignored by git), so that what the demo
# renders may be handed on freely.  Where it cannot be had, the embedded soundfont serves.
set -u
here=$(cd "$(dirname "$0")/.." && pwd)
bank="$here/soundfonts/fetched/sf_GMbank.sf2"
# Of the file in Debian's csound-soundfont 1:6.18.1+dfsg-1.  Another one is not taken.
sha256=9f39fc53bd3a1a69f13cb486838944eded358b3b6e8afbd6c1c2c33675b2034b

is_the_one() {
    if command -v sha256sum >/dev/null 2>&1; then said=$(sha256sum <"$1"); else said=$(shasum -a 256 <"$1"); fi
    [ "${said%% *}" = "$sha256" ]
}

[ -s "$bank" ] && is_the_one "$bank" && exit 0
mkdir -p "${bank%/*}"
fetched=$(mktemp -d)
trap 'rm -rf "$fetched"' EXIT
if sh "$here/tools/fetch_deb.sh" csound-soundfont "$fetched"; then
    found=$(find "$fetched" -name sf_GMbank.sf2 -type f | head -n 1)
    if [ -n "$found" ] && ! is_the_one "$found"; then
        echo "The soundfont that was fetched is not the public-domain GMbank that is known here; it is left out."
    elif [ -n "$found" ] && cp "$found" "$bank.part" && mv "$bank.part" "$bank"; then
        echo "Fetched the public-domain soundfont GMbank into soundfonts/fetched/."
        exit 0
    fi
fi
echo "The public-domain soundfont could not be fetched here (it takes apt and a connection);"
echo "what is on this machine serves. See soundfonts/README.md for better ones."
