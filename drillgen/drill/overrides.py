"""What the command line (or Python) puts over a drill."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from drillgen.drill.merge import merge
from drillgen.drill.problems import DrillError, Problem
from drillgen.drill.source import Item, Place, Source, from_python, parse, plain_scalar

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

    def item(self) -> Item:
        """The value alone.  Raises DrillError where the text is not readable."""
        if self.value is not None:
            return from_python(self.value, self.origin)
        source = Source(self.origin, self.text.strip(), positions=False)
        if source.text.startswith(_YAML_STARTS):
            return parse(source)
        place = Place(source, 0, len(source.text))
        return Item(plain_scalar(source.text), place, written=source.text)


def apply(drill: Item, overrides: Iterable[Override]) -> Item:
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


def _nested(override: Override) -> Item:
    item = override.item()
    keys = [key.strip() for key in override.path.split(".")]
    if len(keys) > 1 and not all(keys):
        raise DrillError([_no_path(override, ".".join(filter(None, keys)))])
    for key in reversed(keys):
        item = Item({key: replace(item, key=item.place)}, item.place)
    return item


def _no_path(override: Override, meant: str) -> Problem:
    source = Source(override.origin, "", positions=False)
    allowed = "a key, or keys with one dot between them: band.bass"
    return source.problem(
        "a key is missing beside a dot", allowed=allowed, nearest=meant and f'"{meant}"'
    )
