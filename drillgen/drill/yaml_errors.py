"""The YAML parser's complaints in our own words."""

from __future__ import annotations

from collections.abc import Callable

from drillgen.drill.problems import Problem

# What the parser says (a part of it) and what we say: message, what is allowed.
_WORDS: tuple[tuple[str, str, str], ...] = (
    ("character '\\t'", "a tab stands where YAML wants spaces", "indentation by spaces"),
    ("'%' that cannot start", "a text cannot begin with % unquoted", 'quotes: "%"'),
    ("that cannot start any token", "a text cannot begin with this sign unquoted", "quotes"),
    (
        "expected a comment or a line break",
        "a text that begins with | or > must be quoted",
        "quotes, or leave out the first |",
    ),
    (
        "chomping or indentation",
        "a text that begins with | or > must be quoted",
        "quotes, or leave out the first |",
    ),
    (
        "mapping values are not allowed",
        "a colon stands where none can be, or a line is indented differently from its neighbours",
        "key: value, a line each, neighbours equally indented",
    ),
    (
        "expected ',' or ']'",
        "a list is not closed",
        '[a, b, c], and quotes where a text begins with #: "#4"',
    ),
    ("expected ',' or '}'", "a mapping is not closed", "{a: 1, b: 2}"),
    ("could not find expected ':'", "a key without a colon", "key: value"),
    (
        "expected <block end>",
        "this line is indented differently from its neighbours",
        "neighbours equally indented",
    ),
    ("unexpected end of stream", "a quotation mark is not closed", "a quotation mark at each end"),
    (
        "undefined alias",
        "a text cannot begin with * unquoted, or the alias names no anchor",
        "quotes, or a name marked with & before",
    ),
    ("found another document", "a second document begins here", "one document a file"),
    (
        "unknown escape character",
        "a backslash in double quotes means something else here",
        "single quotes",
    ),
    ("incompatible YAML document", "this version of YAML is not read", "YAML 1.2"),
    ("duplicate anchor", "an anchor (&) is named twice", "each name once"),
)


def explain(error: Exception, problem: Callable[..., Problem], text: str) -> Problem:
    """A problem at the place the parser stumbled over."""
    if isinstance(error, RecursionError):
        return problem("the file is nested too deeply")
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    said = getattr(error, "problem", None) or ""
    start = getattr(mark, "index", None)
    if start is None:
        return _unreadable(error, problem, text)
    for part, message, allowed in _WORDS:
        if part in said:
            return problem(message, start, allowed=allowed)
    return problem("this is not readable as YAML", start)


def _unreadable(error: Exception, problem: Callable[..., Problem], text: str) -> Problem:
    """The parser's own reader stops at control characters, and says where and which."""
    start = getattr(error, "position", None)
    if isinstance(start, int) and start < len(text):
        return problem(
            f"an unprintable character (U+{ord(text[start]):04X})", start, allowed="text"
        )
    return problem("this is not readable as YAML")
