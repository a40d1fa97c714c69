#!/bin/sh
# A browser for the tests of the practice page, without root and without installing it: Debian's
# chromium, libatomic for the Node.js that drives it, and what they need that this machine lacks,
# unpacked into a folder; `libraries` in it names where the libraries are.
#   sh tools/fetch_browser.sh FOLDER
# Does nothing where both are there.  Says why where there can be none; the tests then skip.
set -eu
folder=$1
[ -e "$folder/libraries" ] && exit 0
wanted=
command -v chromium >/dev/null 2>&1 || wanted=chromium
for place in /lib /lib64 /usr/lib /usr/lib64 /lib/*-linux-gnu /usr/lib/*-linux-gnu; do
    [ -e "$place/libatomic.so.1" ] && break
done
[ -e "$place/libatomic.so.1" ] || wanted="$wanted libatomic1"
[ -n "$wanted" ] || exit 0

give_up() {
    echo "No browser for the tests of the practice page: $1; they will be skipped." >&2
    exit 0
}

command -v apt-get >/dev/null 2>&1 || give_up "it takes $wanted, and apt-get to fetch it is not here"
command -v dpkg >/dev/null 2>&1 || give_up "it takes $wanted, and dpkg to unpack it is not here"

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
chmod 755 "$work"
mkdir -p "$work/lists/partial" "$work/cache/archives/partial"

# Lists and archives in a folder of our own, so that neither root nor locks are needed; what is
# installed is taken as it is, so that only missing libraries come along.
fetch() {
    apt-get -o "Dir::Cache=$work/cache" -o Debug::NoLocking=1 -o APT::Sandbox::User= "$@" >"$work/log" 2>&1
}
echo "Fetching $wanted for the tests (chromium: about 100 MB) ..."
if ! fetch -y --no-install-recommends --download-only install $wanted; then
    own="-o Dir::State::lists=$work/lists"
    fetch $own update || true
    fetch $own -y --no-install-recommends --download-only install $wanted ||
        give_up "$(tail -n 1 "$work/log")"
fi

rm -rf "$folder"
mkdir -p "$folder/root"
for deb in "$work"/cache/archives/*.deb; do dpkg -x "$deb" "$folder/root"; done
root=$(cd "$folder/root" && pwd)
libraries=$(find "$root/lib" "$root/usr/lib" -name '*.so*' -exec dirname {} + 2>/dev/null | sort -u | paste -sd :)
if [ ! -x "$root/usr/lib/chromium/chromium" ]; then
    echo "$libraries" >"$folder/libraries"
    exit 0
fi
cat >"$folder/fonts.conf" <<EOF
<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><dir>$root/usr/share/fonts</dir><dir>/usr/share/fonts</dir><cachedir>$folder/fonts</cachedir></fontconfig>
EOF
cat >"$folder/chromium" <<EOF
#!/bin/sh
LD_LIBRARY_PATH="$libraries\${LD_LIBRARY_PATH:+:\$LD_LIBRARY_PATH}" FONTCONFIG_FILE="$folder/fonts.conf" \\
    exec "$root/usr/lib/chromium/chromium" "\$@"
EOF
chmod 755 "$folder/chromium"
"$folder/chromium" --version >/dev/null 2>"$work/log" || {
    reason=$(tail -n 1 "$work/log")
    rm -rf "$folder"
    give_up "the fetched one does not start ($reason)"
}
echo "$libraries" >"$folder/libraries"
