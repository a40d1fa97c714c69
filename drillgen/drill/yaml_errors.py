"""What is wrong with a text that is no YAML, in a player's words."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from drillgen.drill.bars import NO_REPEATS, REPEATS
from drillgen.drill.messages import Problem

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
_WORDS: tuple[tuple[str, tuple[str, str]], ...] = (
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
    for part, (message, allowed) in _WORDS:
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
