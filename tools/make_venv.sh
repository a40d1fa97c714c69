#!/bin/sh
# Make a virtual environment with Python 3.11 or later and pip, without root.
#   sh tools/make_venv.sh FOLDER            ($PYTHON, if set, is tried first)
#   sh tools/make_venv.sh --remove FOLDER
# Removes no folder but one that it has made itself: a mark in it says so.
set -eu
mark=.made-by-make_venv

# Whether nothing would be lost with a folder: it is not there, empty, or of our making.
ours() { [ ! -e "$1" ] || [ -f "$1/$mark" ] || [ -z "$(ls -A "$1" 2>/dev/null || echo file)" ]; }

refuse() {
    echo "$1 is there already, and not from here: move or remove it, or name another folder (VENV=...)." >&2
    exit 2
}

if [ "$1" = --remove ]; then
    [ -e "$2" ] || [ -L "$2" ] || exit 0
    if [ -L "$2" ]; then exec rm "$2"; fi
    ours "$2" || refuse "$2"
    exec rm -rf "$2"
fi
venv=$1
[ -x "$venv/bin/python" ] && "$venv/bin/python" -m pip --version >/dev/null 2>&1 && exit 0

new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }

python=
for candidate in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
    if new_enough "$candidate"; then python=$candidate; break; fi
done
if [ -z "$python" ]; then
    echo "drillgen needs Python 3.11 or later; set PYTHON to where it is." >&2
    exit 2
fi

ours "$venv" || refuse "$venv"
rm -rf "$venv"
mkdir -p "$venv"
: >"$venv/$mark"
if "$python" -c 'import ensurepip' >/dev/null 2>&1; then
    exec "$python" -m venv "$venv"
fi

# Debian and Ubuntu leave ensurepip to the package python3-venv.  Its pip comes as a plain wheel,
# which can be fetched and unpacked without root.
"$python" -m venv --without-pip "$venv"
fetched=$(mktemp -d)
trap 'rm -rf "$fetched"' EXIT
if ! sh "$(dirname "$0")/fetch_deb.sh" python3-pip-whl "$fetched"; then
    rm -rf "$venv"
    echo "this Python has no pip; install it first (Debian, Ubuntu: sudo apt install python3-venv)." >&2
    exit 2
fi
for wheel in "$fetched"/usr/share/python-wheels/pip-*.whl; do
    "$venv/bin/python" "$wheel/pip" install --quiet --disable-pip-version-check pip
done
