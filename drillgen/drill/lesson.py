"""Lessons: several drills with shared defaults.  A single drill is a lesson of one.

title: Two-fives, first week
note: One drill a day, the slow tempo first.
defaults: {tempo: 72, band: {drums: brushes}}
drills:
  - first-two-fives                      # a preset
  - drills/my-blues.yaml                 # a file, seen from the lesson's folder
  - {drill: blues-walking, tempo: 60}    # either of them, with changes
  - {title: My own, progression: ii7 | V7 | Imaj7 | %}
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from drillgen.drill.fields import MAX_TITLE, NOTE, TITLE, Read
from drillgen.drill.messages import DrillError, Problem, RefusedError, listed, nearest_key, show
from drillgen.drill.models import Drill
from drillgen.drill.overrides import Override, apply, merge
from drillgen.drill.presets import is_in_group, preset_path
from drillgen.drill.reader import ENDINGS, file_error, read_item, read_source, refused_at
from drillgen.drill.yaml_source import SourceItem, as_text, parse

# A lesson's own keys, and what is wrong with them.

MAX_DRILLS = 200
KEYS = ("title", "note", "defaults", "drills")
DRILL_ALLOWED = "a file, a preset's name, or a drill"


def misplaced(item: SourceItem) -> Iterator[Problem]:
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


def text_at(item: SourceItem, key: str, known: Read, problems: list[Problem]) -> str:
    """A text of the lesson, read as a drill's of the same name; "" where there is none."""
    if key not in item.value:
        return ""
    try:
        return str(known.function(as_text(item.value[key])))
    except RefusedError as refused:
        problems += refused_at(item, (key,), refused)
        return ""


def wrong(item: SourceItem, path: str, message: str, allowed: str, near: str = "") -> Problem:
    value: Any = item.value if not isinstance(item.value, dict | tuple) else show(item.value)
    return item.place.source.problem(
        message, item.place.start, path=path, value=value, allowed=allowed, nearest=near
    )


def entries(item: SourceItem, problems: list[Problem]) -> tuple[SourceItem, ...]:
    drills = item.value.get("drills") or replace(item, value=None)
    found = drills.value
    count = len(found) if isinstance(found, tuple) else 0
    if 1 <= count <= MAX_DRILLS:
        return tuple(found)
    message = f"the lesson has {count} drills" if count else "a lesson needs its drills"
    allowed = f"a list of 1 to {MAX_DRILLS}: {DRILL_ALLOWED}"
    problems.append(wrong(drills, "drills", message, allowed))
    return ()


_BASE = "drill"  # in a drill of a lesson: the file or preset that it changes


@dataclass(frozen=True, slots=True)
class Lesson:
    """What builds into one pack."""

    title: str
    drills: tuple[Drill, ...]
    note: str = ""  # a lesson's own sentences for its students
    # What each drill was read from, for what is only found out later.
    written: tuple[SourceItem, ...] = field(default=(), compare=False, repr=False)


def load(source: str | Path, overrides: Iterable[Override] = ()) -> Lesson:
    """A lesson or drill: a file, or a preset by name.  Raises DrillError with every problem."""
    path = _path(source)
    item = _parsed(path, str(source) if isinstance(source, Path) or _is_file(source) else None)
    if not _is_lesson(item):
        read = apply(_titled(item, path), overrides)
        drill = read_item(read)
        return Lesson(drill.title, (drill,), written=(read,))
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
    title = listed(lesson.title for lesson in lessons)[:MAX_TITLE]
    note = " ".join(filter(None, (lesson.note for lesson in lessons)))
    return Lesson(title, drills, note, tuple(item for each in lessons for item in each.written))


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
    """Whether a name means a file: by its ending, or by a folder in it that is no preset's."""
    if isinstance(source, Path) or source.endswith(ENDINGS):
        return True
    in_a_folder = "/" in source or "\\" in source
    return in_a_folder and (Path(source).exists() or not is_in_group(source))


def _path(source: str | Path) -> Path:
    if _is_file(source):
        return Path(source)
    try:
        return preset_path(str(source))
    except DrillError:
        if source and Path(source).exists():
            return Path(source)
        raise


def _parsed(path: Path, name: str | None = None) -> SourceItem:
    try:
        return parse(read_source(path, name or _shown(path)))
    except RefusedError as refused:
        raise file_error(name or str(path), refused) from None


def _shown(path: Path) -> str:
    """Presets are cited by their file's name: they may lie anywhere."""
    return path.name


def _is_lesson(item: SourceItem) -> bool:
    return isinstance(item.value, dict) and bool({"drills", "defaults"} & item.value.keys())


def _titled(item: SourceItem, path: Path) -> SourceItem:
    """A drill without a title is called after its file."""
    if not isinstance(item.value, dict) or "title" in item.value:
        return item
    words = path.stem.replace("-", " ").replace("_", " ").strip()
    title = SourceItem(
        (words[:1].upper() + words[1:])[:MAX_TITLE] or "Drill", item.place, style='"'
    )
    return replace(item, value={**item.value, "title": title})


def _lesson(item: SourceItem, path: Path, overrides: tuple[Override, ...]) -> Lesson:
    problems = list(misplaced(item))
    title = text_at(_titled(item, path), "title", TITLE, problems)
    note = text_at(item, "note", NOTE, problems)
    drills: list[tuple[Drill, SourceItem]] = []
    defaults = item.value.get("defaults") or replace(item, value={})
    for index, entry in enumerate(entries(item, problems)):
        try:
            read = apply(_drill(entry, path, defaults, index), overrides)
            drills.append((read_item(read), read))
        except DrillError as error:
            problems += error.problems
    if problems:
        raise DrillError(problems)
    read_drills, items = zip(*drills, strict=True)
    return Lesson(title, read_drills, note, items)


def _drill(entry: SourceItem, path: Path, defaults: SourceItem, index: int) -> SourceItem:
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


def _named(item: SourceItem, path: Path, where: str) -> SourceItem:
    """The drill in the file or preset that an item of the lesson names."""
    if not isinstance(item.value, str):
        raise DrillError([wrong(item, where, f"{show(item.value)} is no drill", DRILL_ALLOWED)])
    is_file = _is_file(item.value)
    try:
        file = path.parent / item.value if is_file else preset_path(item.value)
        source = read_source(file, str(file) if is_file else file.name, path)
        found = _titled(parse(source), file)
    except RefusedError as refused:
        first = refused.wrongs[0]
        raise DrillError(
            [
                wrong(
                    item,
                    where,
                    f"{show(item.value)}: {first.message}",
                    first.allowed or DRILL_ALLOWED,
                    first.nearest,
                )
            ]
        ) from None
    except DrillError as error:
        raise _from_preset(error, item, where) from None
    if _is_lesson(found):
        raise DrillError([wrong(item, where, f"{show(item.value)} is a lesson itself", "a drill")])
    return found


def _from_preset(error: DrillError, item: SourceItem, where: str) -> DrillError:
    """A name that is no preset is wrong in the lesson; anything else where it was found."""
    if error.problems[0].line:
        return error
    first = error.problems[0]
    return DrillError(
        [
            wrong(
                item,
                where,
                f"{show(item.value)} is no preset and no file",
                DRILL_ALLOWED,
                first.nearest,
            )
        ]
    )
