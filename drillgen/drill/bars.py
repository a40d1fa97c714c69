"""A text divided into bars: `|` divides them, and so does the end of a line; `||` is a double bar,
and bars at the edges are tolerated."""

from __future__ import annotations

import re
from collections.abc import Iterator

from drillgen.drill.problems import Wrong

_TOKEN = re.compile(r"\|+|\n|[^\s|]+")


def split_bars(text: str, allowed: str, wrongs: list[Wrong]) -> Iterator[list[re.Match[str]]]:
    """The words of each bar, as found in the text.

    An empty bar within a line is noted in `wrongs`, with what may stand there instead.
    """
    words: list[re.Match[str]] = []
    after_bar_line = False
    for found in _TOKEN.finditer(text):
        if found[0] != "\n" and not found[0].startswith("|"):
            words.append(found)
            after_bar_line = False
            continue
        if words:
            yield words
            words = []
        elif after_bar_line and found[0] != "\n":
            wrongs.append(Wrong("the bar is empty", allowed, offset=found.start()))
        after_bar_line = found[0] != "\n"
    if words:
        yield words
