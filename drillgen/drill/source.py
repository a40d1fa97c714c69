"""YAML text as data that remembers where it stood.

YAML 1.2 by its core schema: `off`, `no` and `1:30` stay texts, `true` and numbers are what they
look like.  `Item` holds a value and its `Place`; line and column are worked out when asked for.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from drillgen.drill.problems import DrillError, Path, Problem
from drillgen.drill.yaml_errors import explain

MAX_CHARACTERS = 200_000  # far longer than any lesson; keeps a wrong file from hanging the reader
MAX_VALUES = 20_000  # counting what aliases repeat

_STR_TAG = "tag:yaml.org,2002:str"
_KNOWN_TAGS = "tag:yaml.org,2002:"
_INT = re.compile(r"[-+]?[0-9]{1,18}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]{1,3})?")
_AFTER_COLON = re.compile(r"\s*:[^\S\n]*")
_WORDS: dict[str, bool | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A text and what to call it in messages."""

    name: str
    text: str
    positions: bool = True  # False for an option or a value from Python: no line to point at

    def problem(self, message: str, start: int = 0, **more: Any) -> Problem:
        """A problem at an offset of the text."""
        fields = {"path": "", "value": None, "message": message, **more}
        if not self.positions:
            return Problem(file=self.name, line=0, column=0, **fields)
        start = min(max(start, 0), len(self.text))
        before = self.text.rfind("\n", 0, start) + 1
        after = self.text.find("\n", start)
        return Problem(
            file=self.name,
            line=self.text.count("\n", 0, start) + 1,
            column=start - before + 1,
            source_line=self.text[before : after if after >= 0 else None],
            **fields,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A stretch of a source."""

    source: Source
    start: int
    end: int


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """A value (a scalar, a tuple of items, a dict of items) and where it stood."""

    value: Any
    place: Place
    key: Place | None = None  # where its key stood, in a mapping
    style: str | None = None  # of a scalar: None is plain, else ' " | >
    written: str = ""  # of a scalar in a text: its characters, 007 where the value is 7


def parse(source: Source) -> Item:
    """The document as items.  Raises DrillError where it is not one YAML document."""
    if len(source.text) > MAX_CHARACTERS:
        raise DrillError(
            [
                source.problem(
                    f"the file has {len(source.text)} characters", allowed=f"up to {MAX_CHARACTERS}"
                )
            ]
        )
    try:
        node = YAML(typ="safe", pure=True).compose(source.text)
    except Exception as error:  # the parser is not ours: whatever it trips over is the text's fault
        raise DrillError([explain(error, source.problem, source.text)]) from None
    if node is None:
        raise DrillError([source.problem("the file is empty", allowed="a drill or a lesson")])
    return _Builder(source).build(node)


def from_python(value: Any, name: str) -> Item:
    """Plain Python data as items without places."""
    place = Place(Source(name, "", positions=False), 0, 0)
    if isinstance(value, Mapping):
        return Item({str(key): from_python(each, name) for key, each in value.items()}, place)
    if isinstance(value, list | tuple):
        return Item(tuple(from_python(each, name) for each in value), place)
    return Item(value, place)


class _Builder:
    """Builds items from the parser's nodes; a node met twice (an alias) is the same item."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._done: dict[int, tuple[Item, int]] = {}  # the item and how many values it holds
        self._open: set[int] = set()

    def build(self, node: Node) -> Item:
        try:
            return self._item(node)[0]
        except RecursionError:
            raise self._error(node, "the file is nested too deeply") from None

    def _item(self, node: Node) -> tuple[Item, int]:
        if id(node) in self._open:
            raise self._error(node, "an alias (*) stands inside what it repeats")
        if id(node) not in self._done:
            self._open.add(id(node))
            item, size = self._new(node)
            self._open.discard(id(node))
            if size > MAX_VALUES:
                raise self._error(node, "the file holds too many values", f"up to {MAX_VALUES}")
            self._done[id(node)] = item, size
        return self._done[id(node)]

    def _new(self, node: Node) -> tuple[Item, int]:
        place = self._place(node)
        if isinstance(node, ScalarNode):
            return Item(self._scalar(node), place, style=node.style, written=node.value), 1
        if isinstance(node, SequenceNode):
            built = [self._item(each) for each in node.value]
            return Item(tuple(item for item, _ in built), place), 1 + sum(n for _, n in built)
        assert isinstance(node, MappingNode)
        return self._mapping(node, place)

    def _mapping(self, node: MappingNode, place: Place) -> tuple[Item, int]:
        entries: dict[str, Item] = {}
        size = 1
        for key, value in node.value:
            if not isinstance(key, ScalarNode):
                raise self._error(key, "a key must be a word", "a word before the colon")
            if key.value in entries:
                raise self._error(key, f'"{key.value}" stands here twice', "each key once")
            item, count = self._item(value)
            entries[key.value] = replace(item, key=self._place(key), place=self._at(key, item))
            size += count
        return Item(entries, place), size

    def _scalar(self, node: ScalarNode) -> Any:
        if not str(node.tag).startswith(_KNOWN_TAGS):
            raise self._error(node, f'"{node.tag}" means nothing here', "plain YAML without tags")
        return node.value if node.style or node.tag == _STR_TAG else plain_scalar(node.value)

    def _at(self, key: Node, item: Item) -> Place:
        """The item's place; that of nothing is behind its key's colon, not at the next token."""
        if item.value is not None or item.place.end > item.place.start:
            return item.place
        found = _AFTER_COLON.match(self._source.text, key.end_mark.index)
        start = found.end() if found else item.place.start
        return Place(self._source, start, start)

    def _place(self, node: Node) -> Place:
        return Place(self._source, node.start_mark.index, node.end_mark.index)

    def _error(self, node: Node, message: str, allowed: str = "") -> DrillError:
        start = node.start_mark.index
        return DrillError([self._source.problem(message, start, allowed=allowed)])


def as_text(item: Item) -> Any:
    """A number as it looks in the file; any other value as it is."""
    number = isinstance(item.value, int | float) and not isinstance(item.value, bool)
    return item.written if number and item.written else item.value


def plain_scalar(text: str) -> Any:
    """What an unquoted text means by YAML 1.2's core schema (section 10.3.2)."""
    if text in _WORDS:
        return _WORDS[text]
    if _INT.fullmatch(text):
        return int(text)
    return float(text) if _FLOAT.fullmatch(text) else text


def walk(item: Item, path: Path = ()) -> Iterator[tuple[Path, Item]]:
    """Every item with its path, the outermost first."""
    yield path, item
    children = (
        item.value.items()
        if isinstance(item.value, dict)
        else (enumerate(item.value) if isinstance(item.value, tuple) else ())
    )
    for step, child in children:
        yield from walk(child, (*path, step))
