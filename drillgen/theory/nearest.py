"""Guessing what a mistyped word was meant to be."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import SequenceMatcher

_CLOSE = 0.4


def nearest(text: str, known: Iterable[str]) -> str:
    """Which of `known` is most like `text`, the earlier of two; '' where none is close.

    A slip changes a character more often than it drops one, so lengths should agree.
    """
    scored = [
        (SequenceMatcher(None, text, each).ratio() - 0.15 * abs(len(each) - len(text)), each)
        for each in known
    ]
    score, best = max(scored, key=lambda pair: pair[0])
    return best if score > _CLOSE else ""
