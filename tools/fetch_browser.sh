#!/bin/sh
# Browsers for the tests of the practice page, without root and without installing them: Debian's
# chromium with libatomic for the Node.js that drives it, Debian's firefox-esr with pulseaudio to
# play to where no sound card is, and what they need that this machine lacks.
#   sh tools/fetch_browser.sh FOLDER
# Each is unpacked into a folder of its own there, with a script that starts it; `libraries` says
# where libatomic is.  Does nothing for what is there.  Says why where there can be none; the tests
# that need it then skip.
set -eu
mkdir -p "$1"
folder=$(cd "$1" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
chmod 755 "$work"

give_up() {
    echo "No $1 for the tests of the practice page: $2; what needs it will be skipped." >&2
}

# Lists and archives in a folder of our own, so that neither root nor locks are needed; what is
# installed is taken as it is, so that only missing libraries come along.
fetch() {
    mkdir -p "$work/lists/partial" "$work/cache/archives/partial"
    apt-get -o "Dir::Cache=$work/cache" -o Debug::NoLocking=1 -o APT::Sandbox::User= \
        -y --no-install-recommends "$@" >"$work/log" 2>&1
}

# unpack NAME PACKAGE…: into NAME.root, or the reason why not.
unpack() {
    name=$1 root="$folder/$1.root"
    shift
    for tool in apt-get dpkg; do
        if ! command -v $tool >/dev/null 2>&1; then
            give_up "$name" "$tool, which would bring $*, is not here"
            return 1
        fi
    done
    rm -rf "$root" "$work/cache"
    own="-o Dir::State::lists=$work/lists"
    if ! fetch --download-only install "$@"; then
        fetch $own update || true
        if ! fetch $own --download-only install "$@"; then
            give_up "$name" "$(tail -n 1 "$work/log")"
            return 1
        fi
    fi
    mkdir -p "$root"
    for deb in "$work"/cache/archives/*.deb; do dpkg -x "$deb" "$root"; done
    libraries=$(find "$root/lib" "$root/usr/lib" -name '*.so*' -exec dirname {} + 2>/dev/null | sort -u | paste -sd :)
}

# bring NAME PROGRAM PACKAGE…: a script NAME that starts PROGRAM of these packages.
bring() {
    name=$1 program=$2
    shift 2
    [ -e "$folder/$name" ] && return 0
    unpack "$name" "$@" || return 0
    cat >"$folder/fonts.conf" <<EOF
<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><dir>$root/usr/share/fonts</dir><dir>/usr/share/fonts</dir><cachedir>$folder/fonts</cachedir></fontconfig>
EOF
    cat >"$work/script" <<EOF
#!/bin/sh
export LD_LIBRARY_PATH="$libraries\${LD_LIBRARY_PATH:+:\$LD_LIBRARY_PATH}" FONTCONFIG_FILE="$folder/fonts.conf"
exec "$root/$program" "\$@"
EOF
    chmod 755 "$work/script"
    if "$work/script" --version >/dev/null 2>"$work/log"; then
        mv "$work/script" "$folder/$name"
    else
        give_up "$name" "the fetched one does not start ($(tail -n 1 "$work/log"))"
        rm -rf "$root"
    fi
}

has() { command -v "$1" >/dev/null 2>&1; }

has_atomic() {
    for place in /lib /lib64 /usr/lib /usr/lib64 /lib/*-linux-gnu /usr/lib/*-linux-gnu; do
        [ -e "$place/libatomic.so.1" ] && return 0
    done
    return 1
}

if [ ! -e "$folder/libraries" ] && ! has_atomic; then
    if unpack libatomic libatomic1; then echo "$libraries" >"$folder/libraries"; fi
fi
if ! has chromium && [ ! -e "$folder/chromium" ]; then
    echo "Fetching chromium for the tests (about 100 MB) ..."
    bring chromium usr/lib/chromium/chromium chromium
fi
if ! has firefox && ! has firefox-esr && [ ! -e "$folder/firefox" ]; then
    echo "Fetching Firefox for the tests (about 80 MB) ..."
    bring firefox usr/lib/firefox-esr/firefox-esr firefox-esr
fi
if ! has pulseaudio && [ ! -e "$folder/pulseaudio" ]; then
    bring pulseaudio usr/bin/pulseaudio pulseaudio
fi
