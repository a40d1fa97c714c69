"""Names of folders and files: readable on a phone, allowed on every system."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from drillgen.chart import Chart
from drillgen.theory.keys import Key

_FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]+')  # by Windows, the strictest
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)  # Windows devices
_OURS = ("manifest.json", "index.html")  # what a pack has of its own
_LONGEST = 80  # bytes of a title in UTF-8: it stands twice in a path, and a name may have 255


def safe(title: str) -> str:
    """A title as a file name: forbidden signs become spaces, dots and spaces at its ends go."""
    plain = re.sub(r"\s+", " ", _FORBIDDEN.sub(" ", title)).strip(" .")
    name = plain.encode()[:_LONGEST].decode(errors="ignore").strip(" .") or "drill"
    return f"{name}_" if _RESERVED.fullmatch(name) or name.casefold() in _OURS else name


def distinct(names: Iterable[str]) -> Iterator[str]:
    """The names in order, a repeated one numbered: 'Blues', 'Blues (2)'.  Case does not count."""
    taken: set[str] = set()
    for name in names:
        count, free = 1, name
        while free.casefold() in taken:
            count += 1
            free = f"{name} ({count})"
        taken.add(free.casefold())
        yield free


def keys_label(keys: tuple[Key, ...]) -> str:
    """'Bb', or '6 keys from C'."""
    return keys[0].short if len(keys) == 1 else f"{len(keys)} keys from {keys[0].short}"


def track_name(drill_name: str, chart: Chart) -> str:
    """'<drill> - <key or cycle> - <tempo>', the file name without its ending."""
    return f"{drill_name} - {keys_label(chart.keys)} - {chart.tempo}"
