"""How many examples the property tests draw."""

from __future__ import annotations

from typing import Any

from hypothesis import settings

_FEW = 5


def examples(count: int, **others: Any) -> settings:
    """So many where each run draws others (`make fuzz`); where they are the same ones at each run
    (`make test`), half of them, but not less than a few."""
    same = settings.default and settings.default.derandomize
    return settings(max_examples=max(min(count, _FEW), count // 2) if same else count, **others)
