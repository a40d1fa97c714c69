"""Lessons: several drills with shared defaults.  A single drill is a lesson of one.

title: Two-fives, first week
defaults: {tempo: 72, band: {drums: brushes}}
drills:
  - first-two-fives                      # a preset
  - drills/my-blues.yaml                 # a file, seen from the lesson's folder
  - {drill: blues-walking, tempo: 60}    # either of them, with changes
  - {title: My own, progression: ii7 | V7 | Imaj7 | %}
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drillgen.drill.merge import merge
from drillgen.drill.models import Drill
from drillgen.drill.overrides import Override, apply
from drillgen.drill.presets import preset_path
from drillgen.drill.problems import DrillError, Problem, RefusedError, listed, nearest, show
from drillgen.drill.reader import file_error, read_item, read_source
from drillgen.drill.source import Item, parse

MAX_DRILLS = 200
_KEYS = ("title", "defaults", "drills")
_BASE = "drill"  # in a drill of a lesson: the file or preset that it changes
_ENDINGS = (".yaml", ".yml")
_DRILL_ALLOWED = "a file, a preset's name, or a drill"


@dataclass(frozen=True, slots=True)
class Lesson:
    """What builds into one pack."""

    title: str
    drills: tuple[Drill, ...]


def load(source: str | Path, overrides: Iterable[Override] = ()) -> Lesson:
    """A lesson or drill: a file, or a preset by name.  Raises DrillError with every problem."""
    path = _path(source)
    item = _parsed(path, str(source) if isinstance(source, Path) or _is_file(source) else None)
    if not _is_lesson(item):
        drill = read_item(apply(_titled(item, path), overrides))
        return Lesson(drill.title, (drill,))
    return _lesson(item, path, tuple(overrides))


def load_all(sources: Sequence[str | Path], overrides: Iterable[Override] = ()) -> Lesson:
    """Several lessons or drills as one.  Raises DrillError with the problems of all of them."""
    given = tuple(overrides)
    lessons: list[Lesson] = []
    problems: list[Problem] = []
    for source in sources:
        try:
            lessons.append(load(source, given))
        except DrillError as error:
            problems += error.problems
    if problems:
        raise DrillError(problems)
    drills = tuple(drill for lesson in lessons for drill in lesson.drills)
    return Lesson(listed(lesson.title for lesson in lessons)[:100], drills)


def read_drill(source: str | Path, overrides: Iterable[Override] = ()) -> Drill:
    """The drill in a file or preset.  Raises DrillError, also where it holds several."""
    lesson = load(source, overrides)
    if len(lesson.drills) != 1:
        raise DrillError(
            [
                Problem(
                    str(source),
                    0,
                    0,
                    "drills",
                    None,
                    f"this lesson holds {len(lesson.drills)} drills",
                    "one drill",
                )
            ]
        )
    return lesson.drills[0]


def _is_file(source: str | Path) -> bool:
    """Whether a name means a file: by its ending, a folder in it, or because it exists."""
    if isinstance(source, Path):
        return True
    return source.endswith(_ENDINGS) or "/" in source or "\\" in source


def _path(source: str | Path) -> Path:
    if _is_file(source):
        return Path(source)
    try:
        return preset_path(str(source))
    except DrillError:
        if Path(source).exists():
            return Path(source)
        raise


def _parsed(path: Path, name: str | None = None) -> Item:
    try:
        return parse(read_source(path, name or _shown(path)))
    except RefusedError as refused:
        raise file_error(name or str(path), refused) from None


def _shown(path: Path) -> str:
    """Presets are cited by their file's name: they may lie anywhere."""
    return path.name


def _is_lesson(item: Item) -> bool:
    return isinstance(item.value, dict) and bool({"drills", "defaults"} & item.value.keys())


def _titled(item: Item, path: Path) -> Item:
    """A drill without a title is called after its file."""
    if not isinstance(item.value, dict) or "title" in item.value:
        return item
    words = path.stem.replace("-", " ").replace("_", " ").strip()
    title = Item((words[:1].upper() + words[1:])[:100] or "Drill", item.place, style='"')
    return replace(item, value={**item.value, "title": title})


def _lesson(item: Item, path: Path, overrides: tuple[Override, ...]) -> Lesson:
    problems = list(_misplaced(item))
    drills: list[Drill] = []
    defaults = item.value.get("defaults") or replace(item, value={})
    for index, entry in enumerate(_entries(item, problems)):
        try:
            drills.append(read_item(apply(_drill(entry, path, defaults, index), overrides)))
        except DrillError as error:
            problems += error.problems
    if problems:
        raise DrillError(problems)
    title = _titled(item, path).value["title"].value
    return Lesson(" ".join(str(title).split())[:100], tuple(drills))


def _misplaced(item: Item) -> Iterable[Problem]:
    """What is wrong with the lesson's own keys."""
    for key, value in item.value.items():
        if key not in _KEYS:
            place = value.key or value.place
            yield place.source.problem(
                f"{show(key)} is not a key of a lesson",
                place.start,
                path=key,
                value=key,
                allowed=listed(_KEYS),
                nearest=nearest(key, _KEYS),
            )
    yield from _unless(item, "defaults", dict, "a mapping: {tempo: 72}")
    yield from _unless(item, "title", str, "a text")


def _unless(item: Item, key: str, kind: type, allowed: str) -> Iterable[Problem]:
    value = item.value.get(key)
    if value is not None and not isinstance(value.value, kind):
        yield _problem(value, key, f"{show(value.value)} does not fit here", allowed)


def _problem(item: Item, path: str, message: str, allowed: str, near: str = "") -> Problem:
    value: Any = item.value if not isinstance(item.value, dict | tuple) else show(item.value)
    return item.place.source.problem(
        message, item.place.start, path=path, value=value, allowed=allowed, nearest=near
    )


def _entries(item: Item, problems: list[Problem]) -> tuple[Item, ...]:
    drills = item.value.get("drills") or replace(item, value=None)
    entries = drills.value
    if not isinstance(entries, tuple) or not 1 <= len(entries) <= MAX_DRILLS:
        problems.append(
            _problem(
                drills,
                "drills",
                "a lesson needs its drills",
                f"a list of 1 to {MAX_DRILLS}: {_DRILL_ALLOWED}",
            )
        )
        return ()
    return entries


def _drill(entry: Item, path: Path, defaults: Item, index: int) -> Item:
    """A drill of a lesson: its changes over what it names over the lesson's defaults."""
    where = f"drills[{index + 1}]"
    under = defaults if isinstance(defaults.value, dict) else replace(defaults, value={})
    own = entry
    if isinstance(entry.value, dict) and _BASE in entry.value:
        under = merge(under, _named(entry.value[_BASE], path, f"{where}.{_BASE}"))
        own = replace(entry, value={k: v for k, v in entry.value.items() if k != _BASE})
    elif not isinstance(entry.value, dict):
        own = _named(entry, path, where)
    return merge(under, own)


def _named(item: Item, path: Path, where: str) -> Item:
    """The drill in the file or preset that an item of the lesson names."""
    if not isinstance(item.value, str):
        raise DrillError([_problem(item, where, f"{show(item.value)} is no drill", _DRILL_ALLOWED)])
    is_file = _is_file(item.value)
    try:
        file = path.parent / item.value if is_file else preset_path(item.value)
        found = _titled(parse(read_source(file, str(file) if is_file else file.name)), file)
    except RefusedError as refused:
        first = refused.wrongs[0]
        raise DrillError(
            [
                _problem(
                    item,
                    where,
                    f"{show(item.value)}: {first.message}",
                    first.allowed or _DRILL_ALLOWED,
                    first.nearest,
                )
            ]
        ) from None
    except DrillError as error:
        raise _from_preset(error, item, where) from None
    if _is_lesson(found):
        raise DrillError(
            [_problem(item, where, f"{show(item.value)} is a lesson itself", "a drill")]
        )
    return found


def _from_preset(error: DrillError, item: Item, where: str) -> DrillError:
    """A name that is no preset is wrong in the lesson; anything else where it was found."""
    if error.problems[0].line:
        return error
    first = error.problems[0]
    return DrillError(
        [
            _problem(
                item,
                where,
                f"{show(item.value)} is no preset and no file",
                _DRILL_ALLOWED,
                first.nearest,
            )
        ]
    )
