"""Putting what is written in one place over what is written in another.

Mappings are joined key by key; anything else replaces what lies under it.  A short form counts as
its long one, so that `line: arpeggio` over `line: {kind: roots, instrument: guitar}` keeps the
guitar; options that belong to the other kind of line are dropped with it.
"""

from __future__ import annotations

from dataclasses import replace

from drillgen.drill.band import PLAYERS
from drillgen.drill.fields import is_off
from drillgen.drill.lines import COMMON
from drillgen.drill.problems import Path
from drillgen.drill.source import Item

# The key that a short form stands for.
_MAIN: dict[Path, str] = {
    ("tempo",): "from",
    ("count_in",): "bars",
    ("line",): "kind",
    ("gaps",): "call",
    ("sheet",): "show",
    **{("band", player): "kind" for player in PLAYERS},
}
_REPLACED_WHOLE: set[Path] = {("progression",)}
# A number or word here means the whole: `tempo: 72` does not climb, `gaps: 2` answers in 2.
_SHORT_MEANS_ALL: set[Path] = {("tempo",), ("gaps",)}


def merge(under: Item, over: Item, path: Path = ()) -> Item:
    """`over` where it says something, `under` where it does not."""
    if path in _REPLACED_WHOLE:
        return over
    if not isinstance(over.value, dict):
        short = path in _MAIN and path not in _SHORT_MEANS_ALL
        if not short or isinstance(over.value, tuple) or is_off(over.value):
            return over
    lower, upper = _long(under, path), _long(over, path)
    if lower is None or upper is None:
        return over
    if path == ("line",) and _kind_changes(lower, upper):
        lower = {key: item for key, item in lower.items() if key in COMMON}
    joined = {
        key: merge(lower[key], item, (*path, key)) if key in lower else item
        for key, item in upper.items()
    }
    return replace(over, value={**lower, **joined}, style=None)


def _long(item: Item, path: Path) -> dict[str, Item] | None:
    """The mapping that an item is or is short for."""
    if isinstance(item.value, dict):
        return item.value
    if isinstance(item.value, tuple):
        return None
    if path == ("band",) and is_off(item.value):
        return dict.fromkeys(PLAYERS, item)
    if path not in _MAIN or (is_off(item.value) and path[0] != "band"):
        return None
    return {_MAIN[path]: item}


def _kind_changes(lower: dict[str, Item], upper: dict[str, Item]) -> bool:
    return "kind" in upper and "kind" in lower and upper["kind"].value != lower["kind"].value
