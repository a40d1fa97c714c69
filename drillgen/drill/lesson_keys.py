"""A lesson's own keys, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from drillgen.drill.fields import Read
from drillgen.drill.other_words import nearest_key
from drillgen.drill.problems import Problem, RefusedError, listed, show
from drillgen.drill.source import Item, as_text
from drillgen.drill.translate import refused_at

MAX_DRILLS = 200
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
    defaults = item.value.get("defaults")
    if defaults is not None and not isinstance(defaults.value, dict):
        message = f"{show(defaults.value)} does not fit here"
        yield wrong(defaults, "defaults", message, "a mapping: {tempo: 72}")


def text_at(item: Item, key: str, known: Read, problems: list[Problem]) -> str:
    """A text of the lesson, read as a drill's of the same name; "" where there is none."""
    if key not in item.value:
        return ""
    try:
        return str(known.function(as_text(item.value[key])))
    except RefusedError as refused:
        problems += refused_at(item, (key,), refused)
        return ""


def wrong(item: Item, path: str, message: str, allowed: str, near: str = "") -> Problem:
    value: Any = item.value if not isinstance(item.value, dict | tuple) else show(item.value)
    return item.place.source.problem(
        message, item.place.start, path=path, value=value, allowed=allowed, nearest=near
    )


def entries(item: Item, problems: list[Problem]) -> tuple[Item, ...]:
    drills = item.value.get("drills") or replace(item, value=None)
    found = drills.value
    count = len(found) if isinstance(found, tuple) else 0
    if 1 <= count <= MAX_DRILLS:
        return tuple(found)
    message = f"the lesson has {count} drills" if count else "a lesson needs its drills"
    allowed = f"a list of 1 to {MAX_DRILLS}: {DRILL_ALLOWED}"
    problems.append(wrong(drills, "drills", message, allowed))
    return ()
