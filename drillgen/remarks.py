"""What a person is to be told though nothing is refused, and though no result depends on it: that
a cache was damaged, say.  Kept until somebody asks, each once."""

from __future__ import annotations

_said: dict[str, None] = {}


def remark(text: str) -> None:
    """Have something told, by whoever asks next."""
    _said[text] = None


def taken_remarks() -> tuple[str, ...]:
    """What is to be told, which is then told."""
    texts = tuple(_said)
    for text in texts:
        _said.pop(text, None)
    return texts
