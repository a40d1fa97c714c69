"""Putting what is written in one place over what is written in another.

Mappings are joined key by key; anything else replaces what lies under it. A short form counts as
its long one, so that `line: arpeggio` over `line: {kind: roots, instrument: guitar}` keeps the
guitar; options that belong to the other kind of line are dropped with it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from drillgen.drill.band import PLAYERS
from drillgen.drill.fields import is_off
from drillgen.drill.lines import COMMON
from drillgen.drill.messages import DrillError, KeyPath, Problem
from drillgen.drill.yaml_source import (
    DrillSource,
    SourceItem,
    SourceSpan,
    from_python,
    parse,
    plain_scalar,
    whole_text,
)

# The key that a short form stands for.
_MAIN: dict[KeyPath, str] = {
    ("tempo",): "from",
    ("count_in",): "bars",
    ("line",): "kind",
    ("gaps",): "call",
    ("sheet",): "show",
    ("audio",): "format",
    **{("band", player): "kind" for player in PLAYERS},
}
_REPLACED_WHOLE: set[KeyPath] = {("progression",)}
# A number or word here means the whole: `tempo: 72` does not climb, `gaps: 2` answers in 2.
_SHORT_MEANS_ALL: set[KeyPath] = {("tempo",), ("gaps",)}


def merge(under: SourceItem, over: SourceItem, path: KeyPath = ()) -> SourceItem:
    """`over` where it says something, `under` where it does not."""
    if path in _REPLACED_WHOLE:
        return over
    if not isinstance(over.value, dict):
        short = path in _MAIN and path not in _SHORT_MEANS_ALL
        if not short or isinstance(over.value, tuple) or is_off(over.value):
            return over
    lower, upper = long_form(under, path), long_form(over, path)
    if lower is None or upper is None:
        return over
    below, above = lower.get("kind"), upper.get("kind")
    if path == ("line",) and below and above and below.value != above.value:
        lower = {key: item for key, item in lower.items() if key in COMMON}
    joined = {
        key: merge(lower[key], item, (*path, key)) if key in lower else item
        for key, item in upper.items()
    }
    return replace(over, value={**lower, **joined}, style=None)


def long_form(item: SourceItem, path: KeyPath) -> dict[str, SourceItem] | None:
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


_YAML_STARTS = ("{", "[", '"', "'")


@dataclass(frozen=True, slots=True)
class Override:
    """A value for a key of the drill, nested keys with dots: `band.bass`."""

    path: str
    text: str  # as typed; read like a value in YAML
    origin: str  # how to cite it: "--set band.bass=walking"
    value: Any = None  # a value from Python, where there is no text

    @classmethod
    def of(cls, path: str, value: Any) -> Override:
        """A value from Python, for the argument `path` (two underscores for a dot)."""
        return cls(path.replace("__", "."), "", f"{path}={value!r}"[:80], value)

    def item(self) -> SourceItem:
        """The value alone.  Raises DrillError where the text is not readable."""
        whole_text(self.path + self.text, self.origin)
        if self.value is not None:
            return from_python(self.value, self.origin)
        source = DrillSource(self.origin, self.text.strip(), positions=False)
        if source.text.startswith(_YAML_STARTS):
            return parse(source)
        place = SourceSpan(source, 0, len(source.text))
        return SourceItem(plain_scalar(source.text), place, written=source.text)


def apply(drill: SourceItem, overrides: Iterable[Override]) -> SourceItem:
    """The drill with the overrides over it, the later ones uppermost."""
    problems: list[Problem] = []
    for override in overrides:
        try:
            drill = merge(drill, _nested(override))
        except DrillError as error:
            problems += error.problems
    if problems:
        raise DrillError(problems)
    return drill


def _nested(override: Override) -> SourceItem:
    item = override.item()
    keys = [key.strip() for key in override.path.split(".")]
    if len(keys) > 1 and not all(keys):
        raise DrillError([_no_path(override, ".".join(filter(None, keys)))])
    for key in reversed(keys):
        item = SourceItem({key: replace(item, key=item.place)}, item.place)
    return item


def _no_path(override: Override, meant: str) -> Problem:
    source = DrillSource(override.origin, "", positions=False)
    allowed = "a key, or keys with one dot between them: band.bass"
    return source.problem(
        "a key is missing beside a dot", allowed=allowed, nearest=meant and f'"{meant}"'
    )
