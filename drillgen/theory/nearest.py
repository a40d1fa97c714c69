"""Guessing what a mistyped word was meant to be."""

from __future__ import annotations

from collections.abc import Iterable

_MISSED = 1.2  # a letter too many or too few: a slip of the pen changes one more often
_DOUBLED = 0.6  # a letter written twice, or once instead of twice
_FURTHEST = 0.4  # of the longer word's letters: most of them must be shared
_BEGUN = 4  # letters after which a word may be left unfinished


def nearest(text: str, known: Iterable[str]) -> str:
    """Which of `known` is most like `text`, the earlier of two; '' where none shares most letters.

    A word that was only begun (`walk`) means the first that begins so, where none is nearer.
    """
    known = tuple(known)
    measured = [(_distance(text, each) / max(len(text), len(each), 1), each) for each in known]
    far, best = min(measured, key=lambda pair: pair[0], default=(1.0, ""))
    if far <= _FURTHEST:
        return best
    begun = (each for each in known if each.startswith(text))
    return next(begun, "") if len(text) >= _BEGUN else ""


def _distance(text: str, meant: str) -> float:
    """What it takes to make one of the other: the optimal string alignment distance (Damerau,
    1964; two neighbours exchanged are one slip), weighed as above."""
    before: list[float] = []
    row = [0.0]
    for at in range(len(meant)):
        row.append(row[-1] + _miss(meant, at))
    for down, char in enumerate(text):
        above, before = before, row
        row = [before[0] + _miss(text, down)]
        for right, other in enumerate(meant):
            ways = [
                before[right] + (char != other),
                before[right + 1] + _miss(text, down),
                row[right] + _miss(meant, right),
            ]
            if down and right and char == meant[right - 1] and text[down - 1] == other:
                ways.append(above[right - 1] + 1)
            row.append(min(ways))
    return row[-1]


def _miss(word: str, at: int) -> float:
    """The cost of a letter that the other word does not have."""
    return _DOUBLED if at and word[at] == word[at - 1] else _MISSED
