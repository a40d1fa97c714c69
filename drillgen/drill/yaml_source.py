"""YAML as people write it: where everything stands, and what is wrong with it.

What is wrong with a text that is no YAML, in a player's words.

YAML with the place of every key, value and sign, so that a message can point at it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple
from warnings import catch_warnings, simplefilter

from ruamel.yaml import YAML
from ruamel.yaml.error import ReusedAnchorWarning
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from drillgen.drill.bars import NO_REPEATS, REPEATS
from drillgen.drill.messages import DrillError, KeyPath, Problem, dotted, show

# Where brackets in YAML close, for saying why one does not.

_CLOSING = {"{": "}", "[": "]"}
# A quotation mark opens a quoted text only at a text's beginning; a # after a space is a comment.
_TOKEN = re.compile(
    r"(?<=[\[{,:\s])(?:'(?:[^']|'')*'|\"(?:[^\"\\]|\\.)*\")"
    r"|(?<=\s)(?P<comment>#[^\n]*)"
    r"|(?P<bracket>[\[\]{}])",
    re.DOTALL,
)


class Bracket(NamedTuple):
    """What became of an opening bracket."""

    closed: bool
    hidden: int | None = None  # the comment before its end, or the text's, that holds a bracket


def follow(text: str, opening: int) -> Bracket:
    """From an opening bracket to the one that closes it, or to the end of the text."""
    due: list[str] = []  # the brackets that close what is open
    hidden: int | None = None
    for found in _TOKEN.finditer(text, opening):
        comment, bracket = found["comment"], found["bracket"]
        if comment and hidden is None and ("}" in comment or "]" in comment):
            hidden = found.start()
        if bracket in _CLOSING:
            due.append(_CLOSING[bracket])
        elif bracket:
            if bracket != due.pop():
                break
            if not due:
                return Bracket(True, hidden)
    return Bracket(False, hidden)


# The YAML parser's complaints in our own words.

# What the parser says (a part of it) and what we say: message, what is allowed.
_BAR_FIRST = "a text that begins with | or > must be quoted", "quotes, or leave out the first |"
_INDENTED = "this line is indented differently from its neighbours", "neighbours equally indented"
_COLON_HERE = (
    "a colon stands where none can be, or a line is indented differently from its neighbours",
    "key: value, a line each, neighbours equally indented",
)
_BACKSLASH = "a backslash in double quotes means something else here", "single quotes"
_NOT_ONE = ("this does not belong to what stands before it", "key: value, a line each")
_NO_VALUE = ("no value can begin with this sign", "a value, or quotes")
_NAMELESS = ("a text cannot begin with %, & or * unquoted", "quotes, or a name behind & or *")
_CUT_SHORT = (
    "an escape in double quotes is cut short",
    "\\u266d, or single quotes",
)
_ALIAS = (
    "a text cannot begin with * unquoted, or the alias names no anchor",
    "quotes, or a name marked with & before",
)
_NOT_OPENED = "a bracket closes that was not opened"
_IN_WORDS: tuple[tuple[str, tuple[str, str]], ...] = (
    ("character '\\t'", ("a tab stands where YAML wants spaces", "indentation by spaces")),
    ("'%' that cannot start", ("a text cannot begin with % unquoted", 'quotes: "%"')),
    ("that cannot start any token", ("a text cannot begin with this sign unquoted", "quotes")),
    ("expected a comment or a line break", _BAR_FIRST),
    ("chomping or indentation", _BAR_FIRST),
    ("mapping values are not allowed", _COLON_HERE),
    ("but found ']'", (_NOT_OPENED, "[a, b, c], or quotes")),
    ("but found '}'", (_NOT_OPENED, "{a: 1, b: 2}, or quotes")),
    ("sequence entries are not allowed", ("no list can begin here", "each - on a line, or quotes")),
    ("could not find expected ':'", ("a key without a colon", "key: value")),
    ("expected <block end>", _INDENTED),
    ("expected '<document start>'", _NOT_ONE),
    ("expected the node content", _NO_VALUE),
    ("expected alphabetic or numeric", _NAMELESS),
    ("mapping keys are not allowed", ("a text cannot begin with ? unquoted", "quotes")),
    ("expected escape sequence", _CUT_SHORT),
    ("invalid Unicode character escape code", _CUT_SHORT),
    ("undefined alias", _ALIAS),
    ("found another document", ("a second document begins here", "one document a file")),
    ("unknown escape character", _BACKSLASH),
    ("incompatible YAML document", ("this version of YAML is not read", "YAML 1.2")),
    ("duplicate anchor", ("an anchor (&) is named twice", "each name once")),
)

COMMENT = "a # after a space begins a comment, so the rest of the line is not read"
COMMENT_ALLOWED = "the text in quotes, or ♯"
_COLON = "a text with a colon and a space in it must be in quotes"
_MISSED = "a comma is missing before this, or a text with a colon and a space is not in quotes"
_BRACKETS = {False: ("a mapping", "{a: 1, b: 2}"), True: ("a list", "[a, b, c]")}
_KEY_AND_TEXT = re.compile(
    r"\s*(?:-\s+)*(?P<key>[^\s:#'\"\[{][^:#\n]*):[ \t]+(?P<text>\S.*?)[ \t]*$", re.M
)
_LONGEST_SHOWN = 60  # characters of a text repeated in what is allowed


def explain(error: Exception, problem: Callable[..., Problem], text: str) -> Problem:
    """A problem at the place the parser stumbled over."""
    if isinstance(error, RecursionError):
        return problem("the file is nested too deeply")
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    said = getattr(error, "problem", None) or ""
    start = getattr(mark, "index", None)
    if start is None:
        return _unreadable(error, problem, text)
    opened = getattr(getattr(error, "context_mark", None), "index", start)
    if "expected ',' or" in said:
        return _in_brackets(said, problem, text, opened, start)
    if "unexpected end of stream" in said:
        return problem(
            "a quotation mark is not closed", opened, allowed="a quotation mark at each end"
        )
    if "mapping values are not allowed" in said and (quoted := _quoted(text, start)):
        return problem(_COLON, start, allowed=quoted)
    if "chomping" in said and text.startswith(":", start):
        return problem(NO_REPEATS, start, allowed=REPEATS)
    if "expected <block end>" in said and text[text.rfind("\n", 0, start) + 1 : start].strip():
        return problem(
            "this follows a text in quotes, or a bracket, that has ended",
            start,
            allowed="the whole text in one pair of quotes",
        )
    if "':'" in said and "simple key" in (getattr(error, "context", None) or ""):
        start = opened  # the line without a colon, not the one after it
    if "<stream end>" in said and (bracket := _left_open(text)) is not None:
        return _in_brackets(said, problem, text, bracket, start)
    for part, (message, allowed) in _IN_WORDS:
        if part in said:
            return problem(message, start, allowed=allowed)
    return problem(f"this is not readable as YAML ({said})", start, allowed="plain YAML, or quotes")


def _left_open(text: str) -> int | None:
    """The first bracket that opens a value and is never closed."""
    openings = (found.start(1) for found in re.finditer(r"(?:^|[:,\[{-])\s*([{\[])", text, re.M))
    return next((at for at in openings if not follow(text, at).closed), None)


def _in_brackets(
    said: str, problem: Callable[..., Problem], text: str, opened: int, start: int
) -> Problem:
    """A mapping or a list in brackets, from where it was opened to where it made no sense."""
    bracket = follow(text, opened)
    what, closed = _BRACKETS[text[opened : opened + 1] == "["]
    if bracket.closed:
        return problem(
            _MISSED if "got ':'" in said else "a comma is missing before this",
            start,
            allowed=f"{closed}, texts with signs in quotes",
        )
    if bracket.hidden is not None:
        return problem(COMMENT, bracket.hidden, allowed=COMMENT_ALLOWED)
    return problem(f"{what} is not closed", opened, allowed=closed)


def _quoted(text: str, start: int) -> str:
    """The line with its text in quotes, where a colon in the text is the trouble; else ""."""
    first = text.rfind("\n", 0, start) + 1
    found = _KEY_AND_TEXT.match(text, first)
    if not found or found.start("text") > start or len(found["text"]) > _LONGEST_SHOWN:
        return "the text in quotes" if found and found.start("text") <= start else ""
    mark = "'" if '"' in found["text"] or "\\" in found["text"] else '"'
    inside = found["text"].replace("'", "''") if mark == "'" else found["text"]
    return f"{found['key']}: {mark}{inside}{mark}"


def _unreadable(error: Exception, problem: Callable[..., Problem], text: str) -> Problem:
    """The parser's own reader stops at control characters, and says where and which."""
    start = getattr(error, "position", None)
    if isinstance(start, int) and start < len(text):
        return problem(
            f"an unprintable character (U+{ord(text[start]):04X})", start, allowed="text"
        )
    said = str(error).split("\n")[0][:_LONGEST_SHOWN]
    return problem(f"this is not readable as YAML ({said})", allowed="plain YAML, or quotes")


# YAML text as data that remembers where it stood.
#
# YAML 1.2 by its core schema: `off`, `no` and `1:30` stay texts, `true` and numbers are what they
# look like. `Item` holds a value and its `Place`; line and column are worked out when asked for.

MAX_CHARACTERS = 200_000  # far longer than any lesson; keeps a wrong file from hanging the reader
MAX_VALUES = 20_000  # counting what aliases repeat

# Of Python's data; a drill has six levels at most.
_LEVELS = 100
_BITS = 64
_PLAIN = "text, numbers, true and false, lists and mappings"

_STR_TAG = "tag:yaml.org,2002:str"
_KNOWN_TAGS = "tag:yaml.org,2002:"
_INT = re.compile(r"[-+]?[0-9]{1,18}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]{1,3})?")
_TWO_HALVES = re.compile("[\ud800-\udbff][\udc00-\udfff]")
_HALF_A_SIGN, _WHOLE_SIGNS = "has half of an escaped sign", "whole signs in UTF-8"
_HALF = re.compile("[\ud800-\udfff]")
_AFTER_COLON = re.compile(r"\s*:[^\S\n]*")
_WORDS: dict[str, bool | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}


@dataclass(frozen=True, slots=True, eq=False)
class DrillSource:
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
class SourceSpan:
    """A stretch of a source."""

    source: DrillSource
    start: int
    end: int


@dataclass(frozen=True, slots=True, eq=False)
class SourceItem:
    """A value (a scalar, a tuple of items, a dict of items) and where it stood."""

    value: Any
    place: SourceSpan
    key: SourceSpan | None = None  # where its key stood, in a mapping
    style: str | None = None  # of a scalar: None is plain, else ' " | >
    written: str = ""  # of a scalar in a text: its characters, 007 where the value is 7


def parse(source: DrillSource) -> SourceItem:
    """The document as items.  Raises DrillError where it is not one YAML document."""
    if len(source.text) > MAX_CHARACTERS:
        message = f"the file has {len(source.text)} characters"
        raise DrillError([source.problem(message, allowed=f"up to {MAX_CHARACTERS}")])
    try:
        with catch_warnings():
            simplefilter("ignore", ReusedAnchorWarning)  # YAML 1.2, 3.2.2.2: the last one counts
            node = YAML(typ="safe", pure=True).compose(source.text)
    except Exception as error:  # the parser is not ours: whatever it trips over is the text's fault
        raise DrillError([explain(error, source.problem, source.text)]) from None
    if node is None:
        raise DrillError([source.problem("the file is empty", allowed="a drill or a lesson")])
    return _ItemBuilder(source).build(node)


def from_python(value: Any, name: str, path: KeyPath = ()) -> SourceItem:
    """Plain Python data as items without places.  Raises DrillError for what no file can hold."""
    place = SourceSpan(DrillSource(name, "", positions=False), 0, 0)
    if isinstance(value, Mapping | list | tuple) and len(path) == _LEVELS:
        raise _refused(name, "it is nested too deeply", f"up to {_LEVELS} levels", path[:1])
    if isinstance(value, Mapping):
        read = {whole_text(k, name): from_python(v, name, (*path, k)) for k, v in value.items()}
        return SourceItem(read, place)
    if isinstance(value, list | tuple):
        items = (from_python(each, name, (*path, n)) for n, each in enumerate(value))
        return SourceItem(tuple(items), place)
    if isinstance(value, int) and value.bit_length() > _BITS:
        raise _refused(name, "the number is too large", f"up to {_BITS} bits", path)
    if not isinstance(value, Hashable):
        raise _refused(name, f"{show(value)} does not fit here", _PLAIN, path)
    return SourceItem(whole_text(value, name) if isinstance(value, str) else value, place)


def whole_text(value: Any, name: str) -> str:
    """A text that stands in no file.  Raises DrillError where it has half of a sign."""
    text = _whole_signs(str(value))
    if _HALF.search(text):
        raise _refused(name, f"{show(text)} {_HALF_A_SIGN}", _WHOLE_SIGNS)
    return text


def _refused(name: str, message: str, allowed: str, path: KeyPath = ()) -> DrillError:
    shown = DrillSource(name, "", positions=False)
    return DrillError([shown.problem(message, path=dotted(path), allowed=allowed)])


class _ItemBuilder:
    """Builds items from the parser's nodes; a node met twice (an alias) is the same item."""

    def __init__(self, source: DrillSource) -> None:
        self._source = source
        self._done: dict[int, tuple[SourceItem, int]] = {}  # the item and how many values it holds
        self._open: set[int] = set()

    def build(self, node: Node) -> SourceItem:
        try:
            return self._item(node)[0]
        except RecursionError:
            raise self._error(node, "the file is nested too deeply") from None

    def _item(self, node: Node) -> tuple[SourceItem, int]:
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

    def _new(self, node: Node) -> tuple[SourceItem, int]:
        place = self._place(node)
        if isinstance(node, ScalarNode):
            return SourceItem(self._scalar(node), place, style=node.style, written=node.value), 1
        if isinstance(node, SequenceNode):
            built = [self._item(each) for each in node.value]
            return SourceItem(tuple(item for item, _ in built), place), 1 + sum(n for _, n in built)
        assert isinstance(node, MappingNode)
        return self._mapping(node, place)

    def _mapping(self, node: MappingNode, place: SourceSpan) -> tuple[SourceItem, int]:
        entries: dict[str, SourceItem] = {}
        size = 1
        for key, value in node.value:
            if not isinstance(key, ScalarNode):
                raise self._error(key, "a key must be a word", "a word before the colon")
            name = self._text(key)
            if name in entries:
                first = self._line(entries[name].key)
                said = f"{show(name)} stands here twice, first in line {first}"
                raise self._error(key, said, "each key once")
            item, count = self._item(value)
            entries[name] = replace(item, key=self._place(key), place=self._at(key, item))
            size += count
        return SourceItem(entries, place), size

    def _scalar(self, node: ScalarNode) -> Any:
        if not str(node.tag).startswith(_KNOWN_TAGS):
            raise self._error(node, f'"{node.tag}" means nothing here', "plain YAML without tags")
        is_text = node.style or node.tag == _STR_TAG
        return self._text(node) if is_text else plain_scalar(node.value)

    def _text(self, node: Node) -> str:
        """A text whose signs are whole: half of one is no text at all."""
        text = _whole_signs(node.value)
        if _HALF.search(text):
            raise self._error(node, f"the text {_HALF_A_SIGN}", _WHOLE_SIGNS)
        return text

    def _line(self, place: SourceSpan | None) -> int:
        return self._source.problem("", place.start if place else 0).line

    def _at(self, key: Node, item: SourceItem) -> SourceSpan:
        """The item's place; that of nothing is behind its key's colon, not at the next token."""
        if item.value is not None or item.place.end > item.place.start:
            return item.place
        found = _AFTER_COLON.match(self._source.text, key.end_mark.index)
        start = found.end() if found else item.place.start
        return SourceSpan(self._source, start, start)

    def _place(self, node: Node) -> SourceSpan:
        return SourceSpan(self._source, node.start_mark.index, node.end_mark.index)

    def _error(self, node: Node, message: str, allowed: str = "") -> DrillError:
        start = node.start_mark.index
        return DrillError([self._source.problem(message, start, allowed=allowed)])


def _whole_signs(text: str) -> str:
    """JSON writes a sign beyond the first 65,536 as two escapes, which YAML reads as two halves."""
    return _TWO_HALVES.sub(lambda pair: _sign(*map(ord, pair[0])), text)


def _sign(high: int, low: int) -> str:
    """The sign of two halves (The Unicode Standard, 3.9, D91: UTF-16)."""
    return chr(0x10000 + ((high & 0x3FF) << 10) + (low & 0x3FF))


def as_text(item: SourceItem) -> Any:
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


def walk(item: SourceItem, path: KeyPath = ()) -> Iterator[tuple[KeyPath, SourceItem]]:
    """Every item with its path, the outermost first."""
    yield path, item
    children = (
        item.value.items()
        if isinstance(item.value, dict)
        else (enumerate(item.value) if isinstance(item.value, tuple) else ())
    )
    for step, child in children:
        yield from walk(child, (*path, step))


# Where each character of a YAML text stood in its file.
#
# A parsed text has lost its indentation, folded line ends, quotes and escapes; walking through both
# side by side finds them again.

_CODE = re.compile(r"\\(?:x([0-9A-Fa-f]{2})|u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8}))")
_SIMPLE = {"0": "\0", "a": "\a", "b": "\b", "e": "\x1b", '"': '"', "\\": "\\", "/": "/"}


def offsets(item: SourceItem) -> list[int] | None:
    """The offset in the source of each character of a text; None where they cannot be matched."""
    raw, place = item.place.source.text, item.place
    if not item.place.source.positions or not isinstance(item.value, str):
        return None
    at = raw.find("\n", place.start) + 1 if item.style in ("|", ">") else place.start
    at += item.style in ("'", '"') if item.style else 0
    found: list[int] = []
    for char in item.value:
        step = _white(raw, at, item.style) if char.isspace() else _inked(raw, at, item.style, char)
        if step is None or step[0] > place.end:
            return None
        found.append(step[0])
        at = step[1]
    return found


def source_offset(item: SourceItem, offset: int | None) -> int:
    """Where a place in a text stood in its source; the text's start where that is not known."""
    known = offsets(item) if offset is not None else None
    if offset is None or not known or offset >= len(known):
        return item.place.start
    return known[offset]


def with_lines(item: SourceItem) -> str:
    """The text with the line ends that folding made into spaces: a line end divides bars."""
    text: str = item.value
    source, place = item.place.source, item.place
    known = offsets(item) if "\n" in source.text[place.start : place.end] else None
    if not known:
        return text
    ends = [*known[1:], place.end]
    return "".join(
        "\n" if char == " " and "\n" in source.text[start:end] else char
        for char, start, end in zip(text, known, ends, strict=True)
    )


def comment_after(item: SourceItem) -> int | None:
    """The offset of a comment on the line where an unquoted text ends."""
    place = item.place
    if item.style or not place.source.positions:
        return None
    found = re.compile(r"[^\S\n]*(#)").match(place.source.text, place.end)
    return found.start(1) if found else None


def _white(raw: str, at: int, style: str | None) -> tuple[int, int] | None:
    """White space stands for any stretch of it; an escaped one for itself."""
    if style == '"' and raw[at : at + 1] == "\\":
        code = _CODE.match(raw, at)
        return at, code.end() if code else at + 2
    return (at, at + 1) if raw[at : at + 1].isspace() else None


def _inked(raw: str, at: int, style: str | None, char: str) -> tuple[int, int] | None:
    """The next sign, after white space that folding or indentation swallowed."""
    while raw[at : at + 1].isspace() or (style == '"' and raw[at : at + 2] == "\\\n"):
        at += 2 if raw[at : at + 1] == "\\" else 1
    if style == "'" and char == "'" and raw[at : at + 2] == "''":
        return at, at + 2
    if style == '"' and raw[at : at + 1] == "\\":
        return _escaped(raw, at, char)
    return (at, at + 1) if raw[at : at + 1] == char else None


def _escaped(raw: str, at: int, char: str) -> tuple[int, int] | None:
    code = _CODE.match(raw, at)
    if code:
        number, end = int(code[1] or code[2] or code[3], 16), code.end()
        low = _CODE.match(raw, end) if 0xD800 <= number < 0xDC00 else None
        if low and low[2]:
            number, end = ord(_sign(number, int(low[2], 16))), low.end()
        return (at, end) if number == ord(char) else None
    return (at, at + 2) if _SIMPLE.get(raw[at + 1 : at + 2]) == char else None
