"""A lesson's own keys, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from drillgen.drill.other_words import nearest_key
from drillgen.drill.problems import Problem, listed, show
from drillgen.drill.source import Item

MAX_DRILLS = 200
MAX_TITLE = 100  # characters
KEYS = ("title", "note", "defaults", "drills")
DRILL_ALLOWED = "a file, a preset's name, or a drill"


def misplaced(item: Item) -> Iterator[Problem]:
    """What is wrong with the lesson's own keys."""
    for key, value in item.value.items():
        if key not in KEYS:
            place = value.key or value.place
            yield place.source.problem(
                f"{show(key)} is not a key of a lesson",
                place.start,
                path=key,
                value=key,
                allowed=listed(KEYS),
                nearest=nearest_key(key, KEYS),
            )
    yield from _unless(item, "defaults", dict, "a mapping: {tempo: 72}")
    yield from _unless(item, "title", str, "a text")
    yield from _unless(item, "note", str, "a text")


def _unless(item: Item, key: str, kind: type, allowed: str) -> Iterator[Problem]:
    value = item.value.get(key)
    if value is not None and not isinstance(value.value, kind):
        yield wrong(value, key, f"{show(value.value)} does not fit here", allowed)


def wrong(item: Item, path: str, message: str, allowed: str, near: str = "") -> Problem:
    value: Any = item.value if not isinstance(item.value, dict | tuple) else show(item.value)
    return item.place.source.problem(
        message, item.place.start, path=path, value=value, allowed=allowed, nearest=near
    )


def entries(item: Item, problems: list[Problem]) -> tuple[Item, ...]:
    drills = item.value.get("drills") or replace(item, value=None)
    found = drills.value
    if not isinstance(found, tuple) or not 1 <= len(found) <= MAX_DRILLS:
        problems.append(
            wrong(
                drills,
                "drills",
                "a lesson needs its drills",
                f"a list of 1 to {MAX_DRILLS}: {DRILL_ALLOWED}",
            )
        )
        return ()
    return found
